"""Whatever a search has found once is tried for ever, and so is one good beginning a target."""

from pathlib import Path

import pytest

from fuzz import files, formats
from fuzz.seeds import seeds

CORPUS = Path(__file__).with_name("corpus")
CHECKS = formats.CHECKS | files.CHECKS


@pytest.mark.parametrize("target", CHECKS)
def test_what_was_found_once_stays_mended(target):
    found = [path.read_bytes() for path in sorted(CORPUS.glob(f"{target}/*"))]
    for data in found + seeds(target)[:2]:
        CHECKS[target](data)
        CHECKS[target](data[: len(data) // 2])
