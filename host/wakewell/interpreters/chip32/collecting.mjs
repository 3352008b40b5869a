// MicroPython for 32 bits (WebAssembly), made to collect its garbage as it does on a chip.
//
// As it is published it collects between two programs only: pointers that the compiler keeps
// in WebAssembly's locals are out of its sight, so while a program runs its heap just grows.
// Here those locals are spilled to its stack (Binaryen's spill-pointers), where they can be
// seen, and `gc_collect` does its work at once: start, mark what the stack points to, end.
// The same build can be asked to let its n-th allocation fail, and how far its heap may grow.
//
// Numbers of functions and addresses are those of the one build whose SHA-256 is below.

import crypto from "node:crypto";
import fs from "node:fs";
import path from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";

const PACKAGE = "@micropython/micropython-webassembly-pyscript";
const SHA256 = "06338c955b03c5700aa0069015d3e392d76836ef8e2ce25bedbe59b88ccd373c";
const GC_START = "18"; // py/gc.c: gc_collect_start
const GC_MARK = "19"; // gc_mark_subtree
const GC_END = "20"; // gc_collect_end
const GC_ALLOC = "22"; // gc_alloc
const MOST_GROWTH = "1217"; // ports/webassembly/main.c: gc_get_max_new_split
const GC_COLLECT = "1218"; // gc_collect
const AREAS = 185108 + 384; // mp_state_ctx.mem.area, the first of a linked list
// py/mpstate.h, mp_state_mem_area_t
const [NEXT, TABLE, POOL, POOL_END] = [0, 4, 16, 20];
const BLOCK = 16; // bytes
const STACK_TOP = 65536;

/** The text of a module with the changes above, given its own. */
function changed(binaryen, data) {
  const before = binaryen.readBinary(data);
  const text = before
    .emitText()
    // The name by which spill-pointers knows the stack pointer
    .replace(/\$global\$0\b/g, "$__stack_pointer")
    .replace(
      new RegExp(`(\\(func \\$${GC_ALLOC} .*\\n(?: *\\(local .*\\n)*)`),
      "$1 (if (i32.eqz (call $allowed)) (then (return (i32.const 0))))\n",
    )
    .replace("\n (import ", '\n (import "env" "allowed" (func $allowed (result i32)))\n (import ');
  const module = binaryen.parseText(text);
  module.setFeatures(before.getFeatures());
  const passes = ["flatten", "simplify-locals-nonesting", "dce", "coalesce-locals", "vacuum"];
  module.runPasses([...passes, "spill-pointers"]);
  module.removeFunction(GC_COLLECT);
  module.addFunctionImport(GC_COLLECT, "env", "collect", binaryen.none, binaryen.none);
  module.removeFunction(MOST_GROWTH);
  module.addFunctionImport(MOST_GROWTH, "env", "mostGrowth", binaryen.none, binaryen.i32);
  module.addFunctionExport(GC_START, "gcStart");
  module.addFunctionExport(GC_MARK, "gcMark");
  module.addFunctionExport(GC_END, "gcEnd");
  binaryen.setOptimizeLevel(1);
  module.optimize();
  if (!module.validate()) throw new Error("the changed interpreter is not valid WebAssembly");
  return module.emitBinary();
}

/** Path of the changed interpreter, made once and kept in `folder`. */
async function built(folder) {
  const data = fs.readFileSync(path.join(folder, "node_modules", PACKAGE, "micropython.wasm"));
  const sha256 = crypto.createHash("sha256").update(data).digest("hex");
  if (sha256 !== SHA256) {
    throw new Error(`${PACKAGE}: micropython.wasm has SHA-256 ${sha256}, known is ${SHA256}`);
  }
  const own = fs.readFileSync(fileURLToPath(import.meta.url));
  const mark = crypto.createHash("sha256").update(own).digest("hex").slice(0, 12);
  const target = path.join(folder, `collecting-${mark}.wasm`);
  if (!fs.existsSync(target)) {
    const file = path.join(folder, "node_modules", "binaryen", "index.js");
    const { default: binaryen } = await import(pathToFileURL(file).href);
    const draft = `${target}.${process.pid}`;
    fs.writeFileSync(draft, changed(binaryen, data));
    fs.renameSync(draft, target);
  }
  return target;
}

/** The heap of one interpreter: what it is told, and what can be seen of it from outside. */
export class Heap {
  /** most: bytes it may come to. aside: bytes of it that do not count, for a chip has not got what
   * lies there; each growth doubles the others, so one block larger than all of them is refused. */
  constructor(most, aside) {
    this.most = most;
    this.aside = aside;
    this.peak = 0; // bytes in all, the most there ever were
    this.failAt = 0; // which allocation from now on fails; 0: none
    this.count = 0; // allocations asked for since then
    this.collections = 0;
  }

  words() {
    return new Uint32Array(this.exports.memory.buffer);
  }

  bytes() {
    return new Uint8Array(this.exports.memory.buffer);
  }

  *areas() {
    for (let at = AREAS; at; at = this.words()[(at + NEXT) >> 2]) yield at;
  }

  field(area, name) {
    return this.words()[(area + name) >> 2];
  }

  /** Bytes of all areas that count, their tables included. */
  total() {
    let bytes = -this.aside;
    for (const area of this.areas()) bytes += this.field(area, POOL_END) - this.field(area, TABLE);
    return bytes;
  }

  /** Bytes of the largest free block, and of all of them. */
  free() {
    const bytes = this.bytes();
    let largest = 0;
    let all = 0;
    for (const area of this.areas()) {
      const table = this.field(area, TABLE);
      const blocks = (this.field(area, POOL_END) - this.field(area, POOL)) / BLOCK;
      let run = 0;
      for (let block = 0; block < blocks; block++) {
        const free = ((bytes[table + (block >> 2)] >> ((block & 3) * 2)) & 3) === 0;
        run = free ? run + BLOCK : 0;
        all += free ? BLOCK : 0;
        largest = Math.max(largest, run);
      }
    }
    return { largest, all };
  }

  imports() {
    return {
      collect: () => this.collect(),
      mostGrowth: () => this.growth(),
      allowed: () => (++this.count === this.failAt ? 0 : 1),
    };
  }

  /** Bytes that the next area may have. */
  growth() {
    const left = Math.max(0, this.most - this.total());
    return this.aside ? Math.min(left, this.total()) : left;
  }

  /** py/gc.c: gc_collect_root over the stack, between start and end. */
  collect() {
    this.collections++;
    this.peak = Math.max(this.peak, this.total());
    this.exports.gcStart();
    const words = this.words();
    const bytes = this.bytes();
    // Read once: between start and end nothing of it changes
    const areas = [...this.areas()].map((area) => ({
      area,
      table: words[(area + TABLE) >> 2],
      pool: words[(area + POOL) >> 2],
      end: words[(area + POOL_END) >> 2],
    }));
    for (let at = this.exports.emscripten_stack_get_current() & ~3; at < STACK_TOP; at += 4) {
      const pointer = words[at >> 2];
      if (pointer & (BLOCK - 1)) continue;
      for (const { area, table, pool, end } of areas) {
        if (pointer < pool || pointer >= end) continue;
        const block = (pointer - pool) / BLOCK;
        const entry = table + (block >> 2);
        const shift = (block & 3) * 2;
        if (((bytes[entry] >> shift) & 3) === 1) {
          bytes[entry] |= 3 << shift;
          this.exports.gcMark(area, block);
        }
        break;
      }
    }
    this.exports.gcEnd();
  }
}

/** {python, heap}: an interpreter whose heap begins with `first` bytes that count. folder:
 * node_modules is in it. stdout: takes each line it prints. most, aside: see Heap. */
export async function interpreter(folder, first, most, aside, stdout) {
  const url = await built(folder);
  const heap = new Heap(most, aside);
  const before = WebAssembly.instantiate;
  WebAssembly.instantiate = async (binary, imports) => {
    Object.assign(imports.env, heap.imports());
    const made = await before(binary, imports);
    heap.exports = (made.instance ?? made).exports;
    return made;
  };
  const file = path.join(folder, "node_modules", PACKAGE, "micropython.mjs");
  const { loadMicroPython } = await import(pathToFileURL(file).href);
  const python = await loadMicroPython({ heapsize: first + aside, url, stdout, linebuffer: true });
  WebAssembly.instantiate = before;
  return { python, heap };
}
