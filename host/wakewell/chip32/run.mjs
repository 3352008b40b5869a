// Runs a program on MicroPython for 32 bits: node run.mjs ORDER.json
//
// The order: {folder, first, most, files: {path there: path here}, code}. What it prints goes
// to the standard output, an exception to the standard error with exit code 1.

import fs from "node:fs";
import path from "node:path";
import { interpreter } from "./collecting.mjs";

const order = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const out = (text) => fs.writeSync(1, text + "\n");
const { python, heap } = await interpreter(order.folder, order.first, order.most, out);
for (const [there, here] of Object.entries(order.files)) {
  python.FS.mkdirTree(path.posix.dirname(there));
  python.FS.writeFile(there, fs.readFileSync(here));
}
try {
  python.runPython(order.code);
} catch (error) {
  fs.writeSync(2, `${error.type ?? ""} ${error.message}\n`);
  process.exit(1);
}
