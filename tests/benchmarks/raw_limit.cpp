// The raw limit: the same rays through Embree 4, sixteen at a time, from plain C++ threads.
//
// Embree's headers are not in the wheel, so the few declarations needed are written out here after its public C API.
// Usage: raw_limit MESH RAYS THREADS FLAGS (files as bench_rays.py writes them; FLAGS 4: robust, 0: fast)
#include <algorithm>
#include <chrono>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <thread>
#include <vector>

extern "C" {
typedef struct RTCDeviceTy* RTCDevice;
typedef struct RTCSceneTy* RTCScene;
typedef struct RTCGeometryTy* RTCGeometry;
struct alignas(64) RTCRay16 {
  float org[3][16], tnear[16], dir[3][16], time[16], tfar[16];
  unsigned mask[16], id[16], flags[16];
};
RTCDevice rtcNewDevice(const char*);
RTCScene rtcNewScene(RTCDevice);
void rtcSetSceneFlags(RTCScene, int);
RTCGeometry rtcNewGeometry(RTCDevice, int);
void* rtcSetNewGeometryBuffer(RTCGeometry, int, unsigned, int, size_t, size_t);
void rtcCommitGeometry(RTCGeometry);
unsigned rtcAttachGeometry(RTCScene, RTCGeometry);
void rtcCommitScene(RTCScene);
void rtcOccluded16(const int*, RTCScene, RTCRay16*, void*);
}

template <class T>
static std::vector<T> read_all(const char* path) {
  FILE* file = fopen(path, "rb");
  if (!file) { perror(path); exit(1); }
  fseek(file, 0, SEEK_END);
  std::vector<T> values(ftell(file) / sizeof(T));
  rewind(file);
  if (fread(values.data(), sizeof(T), values.size(), file) != values.size()) exit(1);
  fclose(file);
  return values;
}

int main(int, char** argv) {
  std::vector<float> corners = read_all<float>(argv[1]);  // 9 a face
  std::vector<float> rays = read_all<float>(argv[2]);     // 8 a ray: origin, near, direction, far
  const int threads = atoi(argv[3]), flags = atoi(argv[4]);
  const size_t n_faces = corners.size() / 9, n_rays = rays.size() / 8;
  RTCDevice device = rtcNewDevice(nullptr);
  RTCScene scene = rtcNewScene(device);
  rtcSetSceneFlags(scene, flags);
  RTCGeometry mesh = rtcNewGeometry(device, 0);
  float* points = (float*)rtcSetNewGeometryBuffer(mesh, 1, 0, 0x9003, 12, 3 * n_faces);
  unsigned* indices = (unsigned*)rtcSetNewGeometryBuffer(mesh, 0, 0, 0x5003, 12, n_faces);
  std::copy(corners.begin(), corners.end(), points);
  for (size_t k = 0; k < 3 * n_faces; k++) indices[k] = unsigned(k);
  rtcCommitGeometry(mesh);
  rtcAttachGeometry(scene, mesh);
  rtcCommitScene(scene);

  const size_t packets = (n_rays + 15) / 16;
  std::vector<size_t> blocked(threads, 0);
  double best = 1e30, best_core = 1e30;
  for (int repeat = 0; repeat < 7; repeat++) {
    auto start = std::chrono::steady_clock::now();
    const std::clock_t core = std::clock();  // of all threads
    std::vector<std::thread> workers;
    for (int worker = 0; worker < threads; worker++)
      workers.emplace_back([&, worker] {
        size_t count = 0;
        for (size_t p = packets * worker / threads; p < packets * (worker + 1) / threads; p++) {
          RTCRay16 packet;
          alignas(64) int valid[16];
          for (int lane = 0; lane < 16; lane++) {
            const size_t place = 16 * p + lane;
            const float* ray = &rays[8 * std::min(place, n_rays - 1)];
            for (int k = 0; k < 3; k++) packet.org[k][lane] = ray[k], packet.dir[k][lane] = ray[4 + k];
            packet.tnear[lane] = ray[3], packet.tfar[lane] = ray[7], packet.time[lane] = 0.f;
            packet.mask[lane] = 0xFFFFFFFFu, packet.flags[lane] = 0, valid[lane] = place < n_rays ? -1 : 0;
          }
          rtcOccluded16(valid, scene, &packet, nullptr);
          for (int lane = 0; lane < 16; lane++) count += valid[lane] && packet.tfar[lane] < 0.f;
        }
        blocked[worker] = count;
      });
    for (auto& worker : workers) worker.join();
    best_core = std::min(best_core, double(std::clock() - core) / CLOCKS_PER_SEC);
    best = std::min(best, std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count());
  }
  size_t total = 0;
  for (size_t count : blocked) total += count;
  printf("%zu %zu %.9f %.9f\n", n_rays, total, best, best_core);
  return 0;
}
