// Puts the built script and the licence notices where the program reads them; with --check it only compares.
import { readFileSync, writeFileSync } from "node:fs";

const here = new URL(".", import.meta.url);
const there = new URL("../src/bayreach/data/page/", here);
const code = readFileSync(new URL("built/page.js", here), "utf8").trim() + "\n";
if (/<\/script|<!--/i.test(code)) throw new Error("the script holds a text that would end its tag");
const notices = ["three", "fflate"]
  .map((name) => {
    const { version, license } = JSON.parse(readFileSync(new URL(`node_modules/${name}/package.json`, here)));
    const text = readFileSync(new URL(`node_modules/${name}/LICENSE`, here), "utf8").trim();
    return `${name} ${version} (${license})\n\n${text}\n`;
  })
  .join("\n\n");
// The page is a copy of what it holds, so the notices go with it.
const built = `/*! Holds:\n\n${notices.replaceAll("*/", "* /")}*/\n${code}`;
const files = { "page.js": built, "NOTICES.txt": `Licences of what page.js holds.\n\n${notices}` };
let wrong = 0;
for (const [name, text] of Object.entries(files)) {
  const target = new URL(name, there);
  if (!process.argv.includes("--check")) writeFileSync(target, text);
  else if (readFileSync(target, "utf8") !== text) {
    console.error(`${name} is not what its sources build: run npm run build in .page`);
    wrong = 1;
  }
}
process.exit(wrong);
