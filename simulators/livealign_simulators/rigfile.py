"""Writes rig and job files: as they were given, the rig with other drivers for its links."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from livealign.config.job import Job
from livealign.config.rig import Rig

__all__ = ["write_job", "write_rig"]


def write_rig(rig: Rig, addresses: Mapping[str, Mapping[str, Any]], path: Path) -> None:
    """Write the rig as TOML with its links' drivers replaced; a serial driver keeps its other options."""
    data = rig.model_dump(mode="json", by_alias=True, exclude_none=True, exclude_defaults=True)
    for link in data["links"]:
        given, address = link["driver"], addresses[link["name"]]
        kept = given if given["kind"] == address["kind"] == "serial" else {}
        link["driver"] = {**kept, **address}
    _write(data, path)


def write_job(job: Job, path: Path) -> None:
    """Write the job as TOML."""
    _write(job.model_dump(mode="json", by_alias=True, exclude_none=True, exclude_defaults=True), path)


def _write(data: Mapping[str, Any], path: Path) -> None:
    lines = [f"{key} = {_value(v)}" for key, v in data.items() if not isinstance(v, list)]
    for key, tables in data.items():
        if isinstance(tables, list):
            for table in tables:
                lines += ["", f"[[{key}]]", *(f"{k} = {_value(v)}" for k, v in table.items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    # JSON's strings, numbers and booleans are TOML's too, but for one control character.
    return json.dumps(value, ensure_ascii=False, allow_nan=False).replace("\x7f", "\\u007f")


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else _value(key)
