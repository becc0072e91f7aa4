"""How long the studio takes from a changed aim to the bytes of its colours, and the computing part alone.

    python tests/benchmarks/bench_studio.py [FACES ...]

The demo's wing box, subdivided to about FACES faces (60,000 and 250,000 unless told), its first pass moved a
little each time; and the search for its best aim. The socket is asked over loopback, as a page asks;
drawing is not counted.
"""

import asyncio
import json
import re
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import aiohttp
import numpy as np

from bayreach.demo import write_demo
from bayreach.job import load_job
from bayreach.measure import face_areas
from bayreach.meshfile import read_mesh
from bayreach.run._site import FACE_SHARE
from bayreach.studio import serve
from bayreach.studio._bench import LOOKS, Bench, first_state
from bayreach.studio._questions import question
from bayreach.studio._state import read_request, state_table

TRIES = 7


def job_of(folder: Path, faces: int) -> Path:
    job = load_job(write_demo(folder))
    area = face_areas(read_mesh(job.mesh_path, job.units).mesh).sum()
    edge = 1e3 * float(np.sqrt(area / (FACE_SHARE * faces)))
    text = re.sub(r"(?m)^edge *=.*\n", "", job.path.read_text())
    changed = re.sub(r"(?m)^\[film\]\n", f'[film]\nedge = "{edge:.2f} mm"\n', text)
    if changed == text:
        changed = f'{text}\n[film]\nedge = "{edge:.2f} mm"\n'
    path = folder / f"box_{faces}.toml"
    path.write_text(changed)
    return path


def states(bench: Bench) -> list[dict[str, Any]]:
    first = first_state(bench)
    assert first is not None
    table = state_table(first)
    return [{**table, "from": table["from"] - 0.005 * k} for k in range(TRIES)]


def computed(bench: Bench) -> dict[str, float]:
    spent: dict[str, float] = {}
    asked = [
        json.dumps({"kind": "try", "number": k + 1, "state": state}) for k, state in enumerate(states(bench))
    ]
    for look in LOOKS:
        times = []
        for text in asked:
            bench.columns.clear()  # a full answer is kept; here it is asked anew
            began = time.perf_counter()
            bench.tried(read_request(text).state, look=look)
            times.append(time.perf_counter() - began)
        spent[look] = statistics.median(times)
    return spent


def best_aim(bench: Bench) -> float:
    """Return the seconds that the search for the best aim of the first state takes."""
    asked = {"kind": "best", "number": 1, "state": states(bench)[0]}
    began = time.perf_counter()
    for _ in question(bench, read_request(json.dumps(asked))):
        pass
    return time.perf_counter() - began


def asked_over_a_socket(path: Path, tables: list[dict[str, Any]]) -> dict[str, float]:
    running: list[Any] = []
    ready = threading.Event()

    def told(one: Any) -> None:
        running.append(one)
        ready.set()

    began = time.perf_counter()
    thread = threading.Thread(target=serve, args=(path,), kwargs={"open_browser": False, "ready": told})
    thread.start()
    ready.wait()
    address = running[0].address
    listening = time.perf_counter() - began

    async def story() -> tuple[float, list[float], list[float], list[float]]:
        first: list[float] = []
        refined: list[float] = []
        full: list[float] = []
        origin = f"http://{urlsplit(address).netloc}"
        async with aiohttp.ClientSession() as client:
            live = address.replace("http:", "ws:") + "live"
            async with client.ws_connect(live, origin=origin, max_msg_size=0) as line:
                opened = time.perf_counter() - began
                for number, state in enumerate(tables, start=1):
                    start = time.perf_counter()
                    await line.send_str(json.dumps({"kind": "try", "number": number, "state": state}))
                    spent = []
                    while True:
                        frame = await line.receive_bytes()
                        spent.append(time.perf_counter() - start)
                        told = json.loads(frame[4 : 4 + int.from_bytes(frame[:4], "little")])
                        if told["look"] == LOOKS[-1]:
                            break
                    first.append(spent[0])
                    refined.append(spent[1])
                    full.append(spent[-1])
        return opened, first, refined, full

    opened, first, refined, full = asyncio.run(story())
    running[0].stop()
    thread.join()
    return {
        "listening": listening,
        "ready": opened,
        "first colours": statistics.median(first[1:]),
        "refined colours": statistics.median(refined[1:]),
        "full colours": statistics.median(full[1:]),
    }


def main() -> None:
    counts = [int(word) for word in sys.argv[1:]] or [60_000, 250_000]
    with tempfile.TemporaryDirectory() as folder:
        for count in counts:
            path = job_of(Path(folder), count)
            bench = Bench(load_job(path))
            bench.warm()
            computed(bench)  # compiles and warms
            spent = {
                **computed(bench),
                "best aim": best_aim(bench),
                **asked_over_a_socket(path, states(bench)),
            }
            said = ", ".join(f"{name} {seconds:.2f} s" for name, seconds in spent.items())
            drawn = len(bench.picture.corners)
            print(f"{bench.site.mesh.n_faces} faces, {drawn} of them drawn: {said}", flush=True)


if __name__ == "__main__":
    main()
