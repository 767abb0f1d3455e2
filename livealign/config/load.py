"""Job files, rig files and checklists, read and checked; all that is wrong is told at once."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, ParamSpec, TypeVar

from livealign.config.checklist import Checklist, default_checklist_text
from livealign.config.crosscheck import job_problems, pair_problems, rig_problems
from livealign.config.document import Document, read_document, read_text, validated
from livealign.config.job import Job
from livealign.config.plugs import plug_problems
from livealign.config.problems import ConfigError, ConfigErrors
from livealign.config.rig import Rig

__all__ = [
    "ConfigError",
    "ConfigErrors",
    "Loaded",
    "default_checklist",
    "load_checklist",
    "load_files",
    "load_job",
    "load_pair",
    "load_rig",
    "parse_checklist",
    "parse_job",
    "parse_pair",
    "parse_rig",
]

T = TypeVar("T")
P = ParamSpec("P")
Kind = Literal["job", "rig", "checklist"]


@dataclass(frozen=True)
class Loaded:
    """What was read, and from where."""

    job: Job | None = None
    rig: Rig | None = None
    job_where: str = ""
    rig_where: str = ""
    checklist: Checklist | None = None


def load_job(path: Path | str) -> Job:
    """Read a job file.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    return parse_job(read_text(Path(path)), str(path))


def load_rig(path: Path | str) -> Rig:
    """Read a rig file.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    return parse_rig(read_text(Path(path)), str(path))


def load_checklist(path: Path | str) -> Checklist:
    """Read a checklist.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    return parse_checklist(read_text(Path(path)), str(path))


def default_checklist() -> Checklist:
    """Return the checklist that is shipped."""
    return parse_checklist(default_checklist_text(), "the shipped checklist")


def load_pair(job_path: Path | str, rig_path: Path | str) -> tuple[Job, Rig]:
    """Read a job file and the rig file that goes with it, and check that they agree.

    Raises:
        ConfigErrors: with everything that is wrong in either, and between them.
    """
    errors: list[ConfigError] = []
    job_text = _kept(errors, read_text, Path(job_path))
    rig_text = _kept(errors, read_text, Path(rig_path))
    return _pair(job_text, rig_text, str(job_path), str(rig_path), errors)


def load_files(paths: Sequence[Path | str]) -> Loaded:
    """Read a job file, a rig file, a checklist, or one of each in any order: their `schema` tells which is which.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    errors: list[ConfigError] = []
    texts = [_kept(errors, read_text, Path(p)) for p in paths]
    docs = [
        None if text is None else _kept(errors, read_document, text, str(path))
        for text, path in zip(texts, paths, strict=True)
    ]
    kinds: list[Kind | None] = [_kind(doc) if doc else None for doc in docs]
    # One that does not say what it is can only be what the other is not.
    other: Kind = "rig" if "job" in kinds else "job"
    found: dict[Kind, Document] = {}
    for doc, kind in zip(docs, kinds, strict=True):
        if doc is None:
            continue
        sure: Kind = other if kind is None else kind
        if sure in found:
            both = f"this is {_CALLED[sure]}, and so is {found[sure].where}; give one of each"
            errors.append(doc.error(("schema",), both))
        else:
            found[sure] = doc
    job_doc, rig_doc = found.get("job"), found.get("rig")
    job = _job(job_doc, errors) if job_doc else None
    rig = _rig(rig_doc, errors) if rig_doc else None
    list_doc = found.get("checklist")
    checklist = _checklist(list_doc, errors) if list_doc else None
    if job_doc and rig_doc:
        errors += pair_problems(job_doc, rig_doc)
    if errors:
        raise ConfigErrors(errors)
    return Loaded(job, rig, job_doc.where if job_doc else "", rig_doc.where if rig_doc else "", checklist)


def parse_job(text: str, where: str) -> Job:
    """Read the text of a job file; `where` stands in messages for its name.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    errors: list[ConfigError] = []
    return _right(_job(read_document(text, where), errors), errors)


def parse_rig(text: str, where: str) -> Rig:
    """Read the text of a rig file; `where` stands in messages for its name.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    errors: list[ConfigError] = []
    return _right(_rig(read_document(text, where), errors), errors)


def parse_checklist(text: str, where: str) -> Checklist:
    """Read the text of a checklist; `where` stands in messages for its name.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    errors: list[ConfigError] = []
    return _right(_checklist(read_document(text, where), errors), errors)


def parse_pair(job_text: str, rig_text: str, job_where: str, rig_where: str) -> tuple[Job, Rig]:
    """Read the texts of a job and a rig file and check that they agree.

    Raises:
        ConfigErrors: with everything that is wrong in either, and between them.
    """
    return _pair(job_text, rig_text, job_where, rig_where, [])


def _pair(
    job_text: str | None, rig_text: str | None, job_where: str, rig_where: str, errors: list[ConfigError]
) -> tuple[Job, Rig]:
    job_doc = None if job_text is None else _kept(errors, read_document, job_text, job_where)
    rig_doc = None if rig_text is None else _kept(errors, read_document, rig_text, rig_where)
    job = _job(job_doc, errors) if job_doc else None
    rig = _rig(rig_doc, errors) if rig_doc else None
    if job_doc and rig_doc and _kind(job_doc) in {None, "job"} and _kind(rig_doc) in {None, "rig"}:
        errors += pair_problems(job_doc, rig_doc)
    return _right(job, errors), _right(rig, errors)


def _job(doc: Document, errors: list[ConfigError]) -> Job | None:
    if not _is(doc, "job", errors):
        return None
    job, wrong = validated(Job, doc, doc.data)
    errors += wrong + job_problems(doc)
    return job


def _rig(doc: Document, errors: list[ConfigError]) -> Rig | None:
    if not _is(doc, "rig", errors):
        return None
    rig, wrong = validated(Rig, doc, doc.data)
    errors += wrong + rig_problems(doc) + plug_problems(doc)
    return rig


def _checklist(doc: Document, errors: list[ConfigError]) -> Checklist | None:
    if not _is(doc, "checklist", errors):
        return None
    checklist, wrong = validated(Checklist, doc, doc.data)
    errors += wrong
    seen: dict[str, int] = {}
    for path, item in doc.tables("items"):
        name, number = str(item.get("id")), int(path[-1]) + 1
        if seen.setdefault(name, number) != number:
            message = f"{name!r} stands here for the second time; items[{seen[name]}] has it already"
            errors.append(doc.error((*path, "id"), message, found=name))
    return checklist


_CALLED: dict[Kind, str] = {"job": "a job file", "rig": "a rig file", "checklist": "a checklist"}


def _is(doc: Document, wanted: Kind, errors: list[ConfigError]) -> bool:
    """Tell whether a file may be what is wanted; if it is surely something else, say so."""
    kind = _kind(doc)
    if kind is None or kind == wanted:
        return True
    errors.append(doc.error(("schema",), f"this is {_CALLED[kind]}; {_CALLED[wanted]} is wanted here"))
    return False


def _kind(doc: Document) -> Kind | None:
    """Return what a file is by its schema, or by the tables that only one of the two has."""
    schema = str(doc.data.get("schema", ""))
    for kind, _ in _TABLES:
        if schema.startswith(f"livealign.{kind}/"):
            return kind
    return next((kind for kind, tables in _TABLES if tables.intersection(doc.data)), None)


_TABLES: tuple[tuple[Kind, frozenset[str]], ...] = (
    ("job", frozenset({"machines", "coupling", "feet", "distances"})),
    ("rig", frozenset({"links", "heads"})),
    ("checklist", frozenset({"items"})),
)


def _right(value: T | None, errors: list[ConfigError]) -> T:
    if errors or value is None:
        raise ConfigErrors(errors)
    return value


def _kept(errors: list[ConfigError], read: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T | None:
    """Return what a reader returns, or None, its errors being kept for later."""
    try:
        return read(*args, **kwargs)
    except ConfigErrors as e:
        errors += e.errors
        return None
