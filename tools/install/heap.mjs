// The board's application on a recorded ride under MicroPython's WebAssembly port, whose words and
// objects have a microcontroller's size: 32 bits. Started by tools/install/heap.py:
//
//     node heap.mjs RUNTIME.mjs SCRIPT.py FOLDER RIDE IMAGE HEAP_BYTES
//
// This port collects garbage only between calls from outside, and its heap grows when a call needs
// more. So the heap cannot be pinned; what is alive after a collection is exact all the same.
import fs from "node:fs";
import { pathToFileURL } from "node:url";

const [runtime, script, folder, ride, image, heapBytes] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(runtime));
// The image lies outside MicroPython's heap, as flash does; it is mounted at the start.
const romfs = fs.readFileSync(image);
const mp = await loadMicroPython({ heapsize: Number(heapBytes), linebuffer: true, romfs });
mp.FS.mkdir("/board");
mp.FS.writeFile("/board/engine.txt", fs.readFileSync(`${folder}/engine.txt`));
mp.FS.writeFile("/ride.bin", fs.readFileSync(ride));

const gc = mp.pyimport("gc");
const alive = () => {
    gc.collect();
    return gc.mem_alloc();
};
const python = (name) => mp.globals.get(name);
const blank = alive();
mp.runPython(fs.readFileSync(script, "utf8"));
console.log("watching", alive() - blank);
mp.runPython("from breathmap.tools.board import hardware");
console.log("loaded", alive());
mp.runPython('begin("/board", "/ride.bin")');
const built = alive();
// Often enough that this heap, which can grow, stays small.
gc.threshold(1 << 16);
console.log("built", built);

const step = python("counted_step");
const [looks, from, to] = ["STEPS_A_LOOK", "STEADY_FROM", "STEADY_TO"].map(python);
let most = built;
let steady = 0;
let count = 0;
for (let going = true; going; ) {
    going = step();
    count += 1;
    if (count % looks === 0) most = Math.max(most, alive());
    if (count === from) steady = alive();
    if (count === to) steady = alive() - steady;
}
console.log("most", most);
console.log("end", alive());
console.log("steady", steady);
mp.runPython("say_facts()");
