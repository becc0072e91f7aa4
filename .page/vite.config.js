// One script, no chunks, no helper files: the program puts it into its page.
import { defineConfig } from "vite";

export default defineConfig({
  build: {
    outDir: "built",
    emptyOutDir: true,
    target: "es2020",
    sourcemap: false,
    lib: { entry: "src/main.js", name: "bayreachSheet", formats: ["iife"], fileName: () => "page.js" },
    rollupOptions: { output: { extend: true } },
  },
});
