// The studio's script, built beside the technician's page's own: one file that asks only its own server.
import { defineConfig } from "vite";

export default defineConfig({
  build: {
    outDir: "built-studio",
    emptyOutDir: true,
    target: "es2020",
    sourcemap: false,
    lib: { entry: "src/studio.js", name: "bayreachStudio", formats: ["iife"], fileName: () => "studio.js" },
    rollupOptions: { output: { extend: true } },
  },
});
