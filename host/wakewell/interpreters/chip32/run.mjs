// Runs a program on MicroPython for 32 bits: node run.mjs ORDER.json
//
// The order: {folder, first, most, files: {path there: path here}, code}. What it prints goes
// to the standard output, an exception to the standard error with exit code 1.
//
// With `chip` in it ({cause, wake, clock, rtc, aside, fails, told, line}) `code` is the boot of a bare
// chip: inside/bare.py makes its modules from what is here. The result of each boot, a line of
// JSON, goes to the descriptor `told`: how the boot ended, the files as they are then, RTC memory,
// what the heap came to. What its sockets send, and what answers, goes over the descriptor `line`.
// fails: boots one after another, of which allocation of it fails (0: none). Where there are
// several, each begins with the files and RTC memory of the order, and has a second boot after it,
// in which nothing fails; files that are as they were are left out of the results.

import fs from "node:fs";
import path from "node:path";
import v8 from "node:v8";
import { interpreter } from "./collecting.mjs";

const order = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const chip = order.chip;
// A single boot is over before better machine code for it would pay
if (chip?.fails.length === 1 && !chip.lines) {
  v8.setFlagsFromString("--no-wasm-tier-up");
  v8.setFlagsFromString("--no-wasm-dynamic-tiering");
}
const out = (text) => fs.writeSync(1, text + "\n");
const { folder, first, most } = order;
let python, heap;

/** A new interpreter with those files. */
async function begin() {
  ({ python, heap } = await interpreter(folder, first, most, chip?.aside ?? 0, out));
  for (const [there, here] of Object.entries(order.files)) {
    python.FS.mkdirTree(path.posix.dirname(there));
    python.FS.writeFile(there, fs.readFileSync(here));
  }
  python.registerJsModule("bare_host", bareHost);
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

let result = {};
let failAt = 0;
let rtc = Buffer.alloc(0);
let clock = 0;
const view = (at, size) => Buffer.from(heap.exports.memory.buffer, at, size);
const bareHost = {
  end: (how, ms, sinceStartMs) => {
    result.ended = how;
    result.ms = ms;
    clock += Math.floor(sinceStartMs / 1000);
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
    heap.failAt = failAt;
  },
  reset_cause: () => {
    result.loaded ??= heap.count;
    return chip.cause;
  },
  wake_reason: () => {
    result.asked = heap.count;
    return chip.wake;
  },
  clock_s: () => clock,
  set_clock: (seconds) => {
    clock = seconds;
  },
  // A line of the log, again and again: of each, which allocation fails, and what the log is then
  begin_line: (nth) => {
    logBefore ??= flash("/pot/log", {});
    heap.count = 0;
    heap.failAt = nth;
  },
  end_line: (nth, escaped) => {
    heap.failAt = 0;
    const enough = heap.count < nth;
    const files = flash("/pot/log", {});
    fs.writeSync(chip.told, JSON.stringify({ nth, escaped, enough, files: changed(files) }) + "\n");
    for (const there of Object.keys(files)) {
      if (!(there in logBefore)) python.FS.unlink(there);
    }
    for (const [there, data] of Object.entries(logBefore)) {
      if (files[there] !== data) python.FS.writeFile(there, Buffer.from(data, "hex"));
    }
    return enough ? 1 : 0;
  },
  level: (pin, value) => {
    result.levels[pin] = value;
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
let logBefore;

/** Those of the log's files that are not as they were. */
function changed(files) {
  return Object.fromEntries(Object.entries(files).filter(([k, data]) => logBefore[k] !== data));
}

/** {path: bytes in hexadecimal} of all that lies on the flash. */
function flash(folder, found) {
  if (!python.FS.analyzePath(folder).exists) return found;
  for (const name of python.FS.readdir(folder)) {
    const place = path.posix.join(folder, name);
    if ([".", ".."].includes(name) || /^\/(dev|home|lib|proc|tmp)$/.test(place)) continue;
    if (python.FS.isDir(python.FS.stat(place).mode)) flash(place, found);
    else found[place] = Buffer.from(python.FS.readFile(place)).toString("hex");
  }
  return found;
}

/** Make the flash hold those files and nothing else. */
function restore(files) {
  for (const there of Object.keys(flash("/", {}))) {
    if (!(there in files)) python.FS.unlink(there);
  }
  for (const [there, data] of Object.entries(files)) {
    python.FS.mkdirTree(path.posix.dirname(there));
    python.FS.writeFile(there, Buffer.from(data, "hex"));
  }
}

let code = 0;
function run() {
  try {
    python.runPython(order.code);
  } catch (error) {
    if (!(chip && error.type === "SystemExit")) {
      fs.writeSync(2, `${error.type ?? ""} ${error.message}\n${error.stack}\n`);
      code = 1;
      // Not by a Python error: the interpreter itself fell
      if (!error.type) result.ended = "trap";
    }
  }
}

/** One boot, of which that allocation fails; its result without the files that are as in `known`. */
function boot(nth, known) {
  failAt = nth;
  result = { ended: "crash", ms: 0, marks: {}, levels: {}, asked: 0 };
  run();
  heap.failAt = 0;
  const allocations = heap.count;
  python.runPython("import bare\nbare.tell_levels()");
  const files = flash("/", {});
  for (const there of Object.keys(known)) {
    if (files[there] === known[there]) delete files[there];
    else files[there] ??= null;
  }
  const peak = Math.max(heap.peak, heap.total());
  Object.assign(result, { nth, files, clock, rtc: rtc.toString("hex"), allocations, peak });
  fs.writeSync(chip.told, JSON.stringify(result) + "\n");
  clock += Math.floor(result.ms / 1000);
}

await begin();
if (!chip || chip.lines) run();
else {
  const many = chip.fails.length > 1;
  const before = many ? flash("/", {}) : {};
  for (const nth of chip.fails) {
    if (many) await begin();
    rtc = Buffer.from(chip.rtc, "hex");
    clock = chip.clock;
    boot(nth, before);
    if (many) {
      const files = flash("/", {});
      await begin();
      restore(files);
      boot(0, before);
    }
  }
}
process.exitCode = code;
