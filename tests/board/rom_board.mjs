// A board on a pseudo-terminal for mpremote: MicroPython's WebAssembly port at its raw prompt, with
// a file system and a ROM partition that outlive a soft reset, as a microcontroller has them.
//
//     node rom_board.mjs RUNTIME.mjs PARTITION_BYTES      standard input and output are the line
//
// MicroPython mounts the partition at its start and reads it; only writing to it is this file's own,
// which that port does not have, and the number of an error.
import { pathToFileURL } from "node:url";

const [runtime, size] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(runtime));
const OWN = `
import sys, uctypes, vfs as _vfs
class _Vfs:
    def __getattr__(self, name):
        return getattr(_vfs, name)
    def rom_ioctl(self, what, *rest):
        if what == 4:
            _rom[rest[1] : rest[1] + len(rest[2])] = rest[2]
            return 0
        if what > 2:
            return {3: 4, 5: 0, 6: 4096}[what]
        return _vfs.rom_ioctl(what, *rest) if _rom else (0 if what == 1 else -19)
_rom = _vfs.rom_ioctl(2, 0)
_rom = uctypes.bytearray_at(uctypes.addressof(_rom), len(_rom)) if len(_rom) else None
sys.modules["vfs"] = _Vfs()
# The host of that port numbers its errors in its own way; a board's "no such file" is 2.
import builtins, os
def _as_on_a_board(function):
    def call(*arguments):
        try:
            return function(*arguments)
        except OSError as error:
            raise OSError(2 if error.errno == 44 else error.errno)
    return call
os.stat = _as_on_a_board(os.stat)
builtins.open = _as_on_a_board(open)
`;

const rom = new Uint8Array(Number(size));
const SYSTEM = ["/dev", "/proc", "/tmp", "/home"];
let files = {};
let mp = null;

function walk(folder, found) {
    for (const name of mp.FS.readdir(folder || "/")) {
        const path = `${folder}/${name}`;
        if ([".", ".."].includes(name) || SYSTEM.includes(path)) continue;
        const isFolder = mp.FS.isDir(mp.FS.stat(path).mode);
        found[path] = isFolder ? null : mp.FS.readFile(path);
        if (isFolder) walk(path, found);
    }
    return found;
}

function keep() {
    if (rom.length) {
        mp.runPython("import uctypes\n_at = uctypes.addressof(_rom)");
        const at = mp.globals.get("_at");
        rom.set(mp._module.HEAPU8.subarray(at, at + rom.length));
    }
    files = walk("", {});
}

async function boot() {
    const stdout = (data) => process.stdout.write(data);
    mp = await loadMicroPython({ heapsize: 1 << 18, linebuffer: false, stdout, romfs: rom });
    for (const [path, data] of Object.entries(files)) {
        if (data === null) mp.FS.mkdir(path);
        else mp.FS.writeFile(path, data);
    }
    // This port stays in /rom; a board changes to its file system at the start.
    mp.runPython("import os\nos.chdir('/')");
    mp.runPython(OWN);
    mp.replInit();
}

await boot();
const waiting = [];
let busy = false;
let skip = 0;
process.stdin.on("data", async (data) => {
    waiting.push(...data);
    if (busy) return;
    busy = true;
    while (waiting.length) {
        const byte = waiting.shift();
        if (skip) {
            skip -= 1;
            continue;
        }
        if (byte === 5) {
            // Pasting with flow control, for which this port would wait inside: not offered.
            process.stdout.write("R\0");
            skip = 2;
            continue;
        }
        const ended = mp.replProcessChar(byte);
        if (!ended) continue;
        keep();
        process.stdout.write("\r\nMPY: soft reboot\r\n");
        await boot();
        mp.replProcessChar(1);
    }
    busy = false;
});
