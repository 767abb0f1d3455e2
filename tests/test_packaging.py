"""What is shipped, what starting up loads, and what must not stand in the tree."""

import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

import livealign

ROOT = Path(__file__).parents[1]
PACKAGES = {
    "livealign": ROOT / "livealign",
    "livealign_drivers": ROOT / "drivers" / "livealign_drivers",
    "livealign_simulators": ROOT / "simulators" / "livealign_simulators",
    "livealign_tui": ROOT / "tui" / "livealign_tui",
}
HEAVY = {"fastapi", "httpx", "mcap", "numpy", "pandas", "pydantic", "scipy", "serial", "textual", "uvicorn"}


def python(*arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, check=True, capture_output=True, text=True, timeout=60
    )
    return done.stdout


def loaded_by(code: str) -> set[str]:
    """Top-level names of the modules that a fresh interpreter has loaded after the code."""
    told = python(
        "-c", f"import sys\n{code}\nprint('loaded:', *sorted(m.partition('.')[0] for m in sys.modules))"
    )
    return set(told.rpartition("loaded:")[2].split())


def test_help_loads_nothing_heavy() -> None:
    loaded = loaded_by("from livealign.cli import main\nmain(['--help'], standalone_mode=False)")
    assert {"livealign", "click"} <= loaded
    assert not loaded & (HEAVY | {"livealign_drivers", "livealign_simulators", "livealign_tui"})


def test_help_of_the_installed_command_names_every_subcommand() -> None:
    told = python("-m", "livealign", "--help")
    for name in ("check", "demo", "drivers", "run", "simulate", "solve", "watch"):
        assert f"\n  {name} " in told


def test_the_version_is_told() -> None:
    assert python("-m", "livealign", "--version").split() == ["livealign,", "version", livealign.__version__]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[zipfile.Path]:
    folder = tmp_path_factory.mktemp("wheel")
    python("-m", "hatchling", "build", "-t", "wheel", "-d", str(folder))
    (built,) = folder.glob("*.whl")
    with zipfile.ZipFile(built) as archive:
        yield zipfile.Path(archive)


def test_the_wheel_brings_four_packages_and_nothing_else(wheel: zipfile.Path) -> None:
    top = {entry.name for entry in wheel.iterdir()}
    assert top == {*PACKAGES, f"livealign-{livealign.__version__}.dist-info"}


def test_the_wheel_brings_every_file_of_them(wheel: zipfile.Path) -> None:
    names = set(wheel.root.namelist())
    for package, folder in PACKAGES.items():
        here = {
            f"{package}/{path.relative_to(folder).as_posix()}"
            for path in folder.rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
        assert f"{package}/py.typed" in here
        assert here <= names
    assert "livealign_simulators/data/demo-rig.toml" in names
    assert "livealign_tui/app.tcss" in names
    assert not [name for name in names if "__pycache__" in name or name.endswith(".pyc")]


def test_the_wheel_tells_its_entry_points(wheel: zipfile.Path) -> None:
    told = (wheel / f"livealign-{livealign.__version__}.dist-info" / "entry_points.txt").read_text(
        encoding="utf-8"
    )
    assert "livealign = livealign.cli:main" in told
    assert "[livealign.drivers]" in told
    assert "[livealign.formats]" in told


@pytest.mark.parametrize("folder", ["drivers", "simulators", "tests", "tui"])
def test_folders_that_hold_packages_are_none(folder: str) -> None:
    assert not (ROOT / folder / "__init__.py").exists()


def test_nothing_in_the_tree_points_to_one_machine_or_to_a_registry() -> None:
    forbidden = [
        "pypi" + ".org", "python" + "hosted", "deb" + ".debian", "registry" + ".npmjs", "/wo" + "rk/", ".lib" + "rary",
    ]  # fmt: skip
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, text=True)  # noqa: S607
    files = [ROOT / name for name in listed.stdout.split("\0") if name]
    assert len(files) > 50
    found = [
        f"{path.relative_to(ROOT)}: {word}"
        for path in files
        if path.is_file()
        for word in forbidden
        if word.encode() in path.read_bytes()
    ]
    assert not found
