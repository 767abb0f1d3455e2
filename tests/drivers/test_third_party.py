"""The example of a package with a driver and a format of its own, installed as its users install it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "docs" / "examples" / "third-party-driver"

LISTED_AND_CHECKED = f"""
import sys
from livealign.cli import main
main(["drivers", "--json"], standalone_mode=False)
assert not [m for m in sys.modules if m.startswith("livealign_unix_socket")]
main(["check", {str(EXAMPLE / "rig.toml")!r}, "--json"], standalone_mode=False)
"""


def python(*arguments: str, **environment: str) -> str:
    """Run Python, which must succeed, and return what it printed."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=EXAMPLE,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> dict[str, str]:
    """Install the example beside livealign; return the environment that finds both."""
    folder = str(tmp_path_factory.mktemp("site"))
    quiet = ["--quiet", "--disable-pip-version-check"]
    alone = ["--no-index", "--no-deps", "--no-build-isolation", "--target", folder]
    python("-m", "pip", "install", *quiet, *alone, str(EXAMPLE))
    return {"PYTHONPATH": folder, "PYTHONDONTWRITEBYTECODE": "1"}


def test_it_is_listed_without_being_imported_and_a_rig_may_name_it(installed):
    listed, _, checked = python("-c", LISTED_AND_CHECKED, **installed).partition("\n")
    assert "unix-socket" in json.loads(listed)["drivers"]
    assert "hex-words" in json.loads(listed)["formats"]
    told = json.loads(checked)
    assert (told["ok"], told["errors"]) == (True, [])
    assert "unix-socket /run/heads.sock, read as hex-words" in told["understood"]["rig"]["links"][0]


def test_it_passes_the_tests_that_are_shipped_for_its_author(installed):
    if not hasattr(os, "fork"):
        pytest.skip("this platform has no Unix domain sockets in asyncio")
    # No plug-in but the one that the suite needs: its author may have no other.
    plugins = ["-p", "pytest_asyncio.plugin", "-p", "no:cacheprovider"]
    told = python("-m", "pytest", "-q", *plugins, **installed, PYTEST_DISABLE_PLUGIN_AUTOLOAD="1")
    assert " passed" in told
    assert "skipped" not in told
