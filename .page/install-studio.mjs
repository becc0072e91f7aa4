// Puts the studio's built script, with its licence notice, where the program reads it; --check only compares.
import { readFileSync, writeFileSync } from "node:fs";

const here = new URL(".", import.meta.url);
const target = new URL("../src/bayreach/data/page/studio.js", here);
const code = readFileSync(new URL("built-studio/studio.js", here), "utf8").trim() + "\n";
const { version, license } = JSON.parse(readFileSync(new URL("node_modules/three/package.json", here)));
const text = readFileSync(new URL("node_modules/three/LICENSE", here), "utf8").trim();
const built = `/*! Holds:\n\nthree ${version} (${license})\n\n${text.replaceAll("*/", "* /")}\n*/\n${code}`;
if (!process.argv.includes("--check")) writeFileSync(target, built);
else if (readFileSync(target, "utf8") !== built) {
  console.error("studio.js is not what its sources build: run npm run build-studio in .page");
  process.exit(1);
}
