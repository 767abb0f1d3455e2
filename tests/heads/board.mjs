// A board: MicroPython with the files and the program that are told on standard input.
import { readFileSync } from "node:fs";

const { interpreter, files, program } = JSON.parse(readFileSync(0, "utf-8"));
const { loadMicroPython } = await import(interpreter);
const board = await loadMicroPython({ stdout: (line) => console.log(line) });
for (const [name, text] of Object.entries(files)) {
  board.FS.writeFile(`/${name}`, text);
}
board.runPython(files[program]);
