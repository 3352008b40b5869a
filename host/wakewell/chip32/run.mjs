// Runs a program on MicroPython for 32 bits: node run.mjs ORDER.json
//
// The order: {folder, first, most, files: {path there: path here}, code}. What it prints goes
// to the standard output, an exception to the standard error with exit code 1.
//
// With `chip` in it ({cause, wake, clock, rtc, aside, fail_at, told, line}) `code` is the boot of a bare
// chip: inside/bare.py makes its modules from what is here. The result, a JSON object, goes to the
// descriptor `told`: how the boot ended, the files as they are then, RTC memory, what the heap
// came to. What its sockets send, and what answers, goes over the descriptor `line`.

import fs from "node:fs";
import path from "node:path";
import { interpreter } from "./collecting.mjs";

const order = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const chip = order.chip;
const out = (text) => fs.writeSync(1, text + "\n");
const { folder, first, most } = order;
const { python, heap } = await interpreter(folder, first, most, chip?.aside ?? 0, out);
for (const [there, here] of Object.entries(order.files)) {
  python.FS.mkdirTree(path.posix.dirname(there));
  python.FS.writeFile(there, fs.readFileSync(here));
}

/** One line to the peer, and the line that answers it. */
function asked(question) {
  fs.writeSync(chip.line, JSON.stringify(question) + "\n");
  let text = "";
  const piece = Buffer.alloc(65536);
  while (!text.endsWith("\n")) {
    const size = fs.readSync(chip.line, piece);
    if (!size) throw new Error("the peer has gone");
    text += piece.toString("latin1", 0, size);
  }
  return JSON.parse(text);
}

const result = { ended: "crash", ms: 0, marks: {} };
let rtc = Buffer.from(chip ? chip.rtc : "", "hex");
const view = (at, size) => Buffer.from(heap.exports.memory.buffer, at, size);
const bareHost = {
  end: (how, ms, sinceStartMs) => {
    result.ended = how;
    result.ms = ms;
    chip.clock += Math.floor(sinceStartMs / 1000);
  },
  // Bytes free and the largest block of them at this moment, garbage put aside
  mark: (name) => {
    heap.collect();
    result.marks[name] ??= { ...heap.free(), total: heap.total() };
  },
  radio_on: () => bareHost.mark("radio"),
  // From here on the allocations of the boot are counted
  count: () => {
    heap.count = 0;
    heap.failAt = chip.fail_at;
  },
  reset_cause: () => chip.cause,
  wake_reason: () => chip.wake,
  clock_s: () => chip.clock,
  set_clock: (seconds) => {
    chip.clock = seconds;
  },
  rtc_size: () => rtc.length,
  rtc_read: (at) => rtc.copy(view(at, rtc.length)),
  rtc_write: (at, size) => {
    rtc = Buffer.from(view(at, size));
  },
  call: (what) => asked({ what }).number,
  write: (number, at, size) => {
    asked({ what: "write", number, data: view(at, size).toString("hex") });
  },
  read: (number, at, size) => {
    const { data } = asked({ what: "read", number, size });
    if (data === null) return -1;
    return Buffer.from(data, "hex").copy(view(at, size));
  },
};
python.registerJsModule("bare_host", bareHost);

/** {path: bytes in hexadecimal} of all that lies on the flash. */
function flash(folder, found) {
  for (const name of python.FS.readdir(folder)) {
    const place = path.posix.join(folder, name);
    if ([".", ".."].includes(name) || /^\/(dev|home|lib|proc|tmp)$/.test(place)) continue;
    if (python.FS.isDir(python.FS.stat(place).mode)) flash(place, found);
    else found[place] = Buffer.from(python.FS.readFile(place)).toString("hex");
  }
  return found;
}

let code = 0;
try {
  python.runPython(order.code);
} catch (error) {
  if (!(chip && error.type === "SystemExit")) {
    fs.writeSync(2, `${error.type ?? ""} ${error.message}\n${error.stack}\n`);
    code = 1;
  }
}
if (chip) {
  result.files = flash("/", {});
  result.clock = chip.clock;
  result.rtc = rtc.toString("hex");
  result.allocations = heap.count;
  result.peak = Math.max(heap.peak, heap.total());
  fs.writeFileSync(chip.told, JSON.stringify(result));
}
process.exitCode = code;
