"""What a model of one table cannot see: names that must agree across tables, and across the two files.

Works on the values as they were read, tolerant of what is wrong with them, so that these errors are told
together with the models' own.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from livealign.config.document import Document, tables_in
from livealign.config.growth import growth_points, growth_problems, shim_problems
from livealign.config.problems import ConfigError, closest
from livealign.config.tolerance import tolerance_problems
from livealign.config.toml_lines import TomlPath

__all__ = [
    "COUPLING",
    "format_fields",
    "job_problems",
    "pair_problems",
    "rig_problems",
    "untied",
]

COUPLING = "coupling"
"""Name of the point that all distances are tied to."""


def job_problems(doc: Document) -> list[ConfigError]:
    """Return what does not agree within a job file."""
    feet = _named(doc.tables("feet"))
    errors = _twice(doc, feet, "foot plane")
    errors += [
        doc.error(
            path, f'"{COUPLING}" is the name of the coupling\'s centre; give the feet another', found=name
        )
        for path, name in feet
        if name == COUPLING
    ]
    spans = list(_spans(doc))
    errors += [
        doc.error(path, f'goes from "{start}" to itself; a distance has two ends', found=start)
        for path, start, end in spans
        if start == end
    ]
    if spans:
        errors += _untied_points(doc, feet, spans)
    points = {p for _, start, end in spans for p in (start, end)}.union(name for _, name in feet)
    return [
        *errors,
        *tolerance_problems(doc),
        *growth_problems(doc, points, COUPLING),
        *shim_problems(doc),
    ]


def _untied_points(
    doc: Document, feet: list[tuple[TomlPath, str]], spans: list[tuple[TomlPath, str, str]]
) -> list[ConfigError]:
    loose = untied([(start, end) for _, start, end in spans], [name for _, name in feet])
    feet_names = {name for _, name in feet}
    measured = {p for _, start, end in spans for p in (start, end)}
    errors = []
    for name, path in {name: path for path, name in reversed(feet)}.items():
        if name in loose:
            near = closest(name, measured - feet_names) if name not in measured else None
            hint = f'; the distances name "{near}"' if near else ""
            message = (
                f'no chain of distances leads from "{COUPLING}" to "{name}"{hint}; add a [[distances]] table'
            )
            errors.append(doc.error(path, message, found=name))
    for name in sorted(loose - feet_names):
        path = next(p for p, start, end in spans if name in {start, end})
        message = f'no chain of distances leads from "{COUPLING}" to "{name}"; tie it in, or leave it out'
        errors.append(doc.error(path, message, found=name))
    return errors


def rig_problems(doc: Document) -> list[ConfigError]:
    """Return what does not agree within a rig file."""
    links = _named(doc.tables("links"))
    heads = _named(doc.tables("heads"))
    errors = _twice(doc, links, "link") + _twice(doc, heads, "head")
    errors += [
        doc.error(
            path, f'"{COUPLING}" is the name of the coupling\'s centre; give the head another', found=name
        )
        for path, name in heads
        if name == COUPLING
    ]
    tables = list(doc.tables("heads"))
    if tables and not any("angle" in head for _, head in tables):
        errors.append(doc.error(("heads",), "no head has an angle; at least one needs a [heads.angle] table"))
    if tables and not any(head.get("detectors") for _, head in tables):
        errors.append(doc.error(("heads",), "no head has a detector; add a [[heads.detectors]] table"))
    for path, head in tables:
        detectors = list(tables_in(head.get("detectors"), (*path, "detectors")))
        for at, detector in detectors:
            errors += _detector_problems(doc, at, detector)
        auxiliary = list(tables_in(head.get("auxiliary"), (*path, "auxiliary")))
        errors += _twice(doc, _named([*detectors, *auxiliary], "position"), "detector of this head")
        errors += [e for at, table in auxiliary for e in _bound_problems(doc, at, table)]
    for path, link in doc.tables("links"):
        errors += _shadowed(doc, path, link)
    return errors + _uses(doc, [name for _, name in links])


def _detector_problems(doc: Document, path: TomlPath, detector: dict[str, Any]) -> Iterator[ConfigError]:
    limits = detector.get("range_mm")
    two = isinstance(limits, list) and len(limits) == 2 and all(isinstance(v, int | float) for v in limits)
    if isinstance(limits, list) and two and not limits[0] < limits[1]:
        message = "the least reading must be smaller than the greatest: range_mm = [least, greatest]"
        yield doc.error((*path, "range_mm"), message, found=limits)
    if "dim_below" in detector and "light_field" not in detector:
        message = "needs light_field too: the field that tells how much light there is"
        yield doc.error((*path, "dim_below"), message, found=detector["dim_below"])
    yield from _kind_problems(doc, path, detector)


def _bound_problems(doc: Document, path: TomlPath, table: dict[str, Any]) -> Iterator[ConfigError]:
    low, high = table.get("low"), table.get("high")
    if isinstance(low, int | float) and isinstance(high, int | float) and not low < high:
        yield doc.error((*path, "low"), "must be smaller than high", found=low)


def _shadowed(doc: Document, path: TomlPath, link: dict[str, Any]) -> Iterator[ConfigError]:
    """Yield computed fields that have the name of one that comes."""
    fields, computed = format_fields(link.get("format")), link.get("computed")
    for name in set(computed if isinstance(computed, dict) else ()) & (fields or set()):
        message = f'"{name}" comes over this link already; give the computed field another name'
        yield doc.error((*path, "computed", name), message, found=name)


_CONTACT = {"rim", "face"}
_KINDS_OF_KEYS = {
    "axis": ({"light"}, "a plunger's place is told by mounting_deg"),
    "light_field": ({"light"}, "an indicator touches, it needs no light"),
    "radius_u_mm": (_CONTACT, "light has no radius"),
    "sag_mm": (_CONTACT, "light does not sag"),
    "sag_u_mm": (_CONTACT, "light does not sag"),
}
"""Keys that mean something for some kinds of detector only, and why."""


def _kind_problems(doc: Document, path: TomlPath, detector: dict[str, Any]) -> Iterator[ConfigError]:
    kind = detector.get("kind", "light")
    for key, (kinds, why) in _KINDS_OF_KEYS.items():
        if key in detector and kind in {"light", *_CONTACT} - kinds:
            allowed = " or ".join(f'"{k}"' for k in sorted(kinds, reverse=True))
            yield doc.error((*path, key), f"is for kind = {allowed} only: {why}", found=detector[key])
    if kind == "light" and "axis" in detector and "mounting_deg" in detector:
        message = "stands beside axis; both tell which way it measures, so give one of them"
        yield doc.error((*path, "mounting_deg"), message, found=detector["mounting_deg"])


def _uses(doc: Document, links: list[str]) -> list[ConfigError]:
    """Check every link and every field that is named against what there is."""
    known = {str(link.get("name")): _brought(link) for _, link in doc.tables("links")}
    errors: list[ConfigError] = []
    for path, user, field in _fields_used(doc):
        produced = known.get(user)
        if produced is None or field in produced:
            continue
        near = closest(field, produced)
        hint = f'; did you mean "{near}"?' if near else f"; it brings {', '.join(sorted(produced))}"
        message = f'link "{user}" does not bring a field "{field}"{hint}'
        errors.append(doc.error(path, message, found=field, allowed=", ".join(sorted(produced))))
    for path, link in _links_used(doc):
        if links and link not in links:
            near = closest(link, links)
            hint = f'did you mean "{near}"?' if near else f"the links are {', '.join(links)}"
            message = f'no link is called "{link}"; {hint}'
            errors.append(doc.error(path, message, found=link, allowed=", ".join(links)))
    return errors


def _fields_used(doc: Document) -> Iterator[tuple[TomlPath, str, str]]:
    """Yield (path, link, field) for every field that something reads."""
    for path, link in doc.tables("links"):
        name = link.get("name")
        clock = link.get("clock")
        if isinstance(clock, dict):
            yield from _use((*path, "clock", "field"), name, clock.get("field"))
        yield from _use((*path, "sequence"), name, link.get("sequence"))
        for at, field in _computed_from((*path, "computed"), link.get("computed")):
            yield from _use(at, name, field)
    for path, part, head in _parts(doc):
        read = part.get("link", head.get("link"))
        for key in ("field", "light_field"):
            yield from _use((*path, key), read, part.get(key))


def _brought(link: dict[str, Any]) -> set[str] | None:
    """Return the fields that come over a link or are worked out for it, or None if its table does not tell."""
    fields, computed = format_fields(link.get("format")), link.get("computed")
    if fields is None or not isinstance(computed, dict):
        return fields
    sums = {t["sum"] for t in computed.values() if isinstance(t, dict) and isinstance(t.get("sum"), str)}
    return fields | set(computed) | sums


def _computed_from(path: TomlPath, computed: object) -> Iterator[tuple[TomlPath, str]]:
    """Yield (path, field) for every field that others are worked out from."""
    for name, table in computed.items() if isinstance(computed, dict) else ():
        if not isinstance(table, dict):
            continue
        for key in ("outward", "clockwise"):
            if isinstance(table.get(key), str):
                yield (*path, name, key), table[key].removeprefix("-")
        for key in ("plus", "minus"):
            for i, field in enumerate(table[key] if isinstance(table.get(key), list) else ()):
                yield (*path, name, key, i), field


def _use(path: TomlPath, link: object, field: object) -> Iterator[tuple[TomlPath, str, str]]:
    if isinstance(link, str) and isinstance(field, str):
        yield path, link, field


def _links_used(doc: Document) -> Iterator[tuple[TomlPath, str]]:
    found = list(doc.tables("heads")) + [(path, part) for path, part, _ in _parts(doc)]
    for path, table in found:
        if isinstance(table.get("link"), str):
            yield (*path, "link"), table["link"]


def _parts(doc: Document) -> Iterator[tuple[TomlPath, dict[str, Any], dict[str, Any]]]:
    """Yield (path, angle sensor or detector or auxiliary, its head)."""
    for path, head in doc.tables("heads"):
        angle = head.get("angle")
        if isinstance(angle, dict):
            yield (*path, "angle"), angle, head
        for key in ("detectors", "auxiliary"):
            for at, part in tables_in(head.get(key), (*path, key)):
                yield at, part, head


def format_fields(table: object) -> set[str] | None:
    """Return the fields a link's format brings, or None if its table does not tell."""
    if not isinstance(table, dict) or table.get("header"):
        return None  # a header line may name others
    listed = table.get("columns", table.get("fields"))
    if isinstance(listed, dict):
        return set(listed)
    if isinstance(listed, list) and listed and all(isinstance(c, str) for c in listed):
        return {c for c in listed if c}
    return None


def pair_problems(job: Document, rig: Document) -> list[ConfigError]:
    """Return what does not agree between a job file and a rig file."""
    heads = _named(rig.tables("heads"))
    feet = [name for _, name in _named(job.tables("feet"))]
    errors = [
        rig.error(path, f'"{name}" is a foot plane in {job.where}; give the head another name', found=name)
        for path, name in heads
        if name in feet
    ]
    names = [name for _, name in heads]
    spans = list(_spans(job))
    known = {COUPLING, *feet, *names, *growth_points(job)}
    for path, start, end in spans:
        for key, point in (("from", start), ("to", end)):
            if point not in known:
                near = closest(point, known)
                hint = f'did you mean "{near}"?' if near else f"the points are {', '.join(sorted(known))}"
                message = (
                    f'"{point}" is neither the coupling, nor a foot plane, nor a head of {rig.where}; {hint}'
                )
                errors.append(job.error((*path, key), message, found=point, allowed=", ".join(sorted(known))))
    measured = {p for _, start, end in spans for p in (start, end)}
    for path, name in heads:
        if spans and name not in measured and name != COUPLING:
            message = f'no distance in {job.where} leads to "{name}"; add a [[distances]] table there'
            errors.append(rig.error(path, message, found=name))
    return errors


def untied(spans: Iterable[tuple[str, str]], wanted: Iterable[str]) -> set[str]:
    """Return the points, measured or wanted, that no chain of spans ties to the coupling."""
    spans = list(spans)
    tied, grown = set[str](), {COUPLING}
    while grown != tied:
        tied = grown
        grown = tied | {p for span in spans if tied.intersection(span) for p in span}
    return {p for span in spans for p in span}.union(wanted) - tied


def _spans(doc: Document) -> Iterator[tuple[TomlPath, str, str]]:
    for path, table in doc.tables("distances"):
        start, end = table.get("from"), table.get("to")
        if isinstance(start, str) and isinstance(end, str):
            yield path, start, end


def _named(
    tables: Iterable[tuple[TomlPath, dict[str, Any]]], default: str | None = None
) -> list[tuple[TomlPath, str]]:
    found = []
    for path, table in tables:
        name = table.get("name", default)
        if isinstance(name, str):
            found.append(((*path, "name"), name))
    return found


def _twice(doc: Document, named: list[tuple[TomlPath, str]], what: str) -> list[ConfigError]:
    errors, first = [], dict[str, TomlPath]()
    for path, name in named:
        if name in first:
            line = doc.lines.of(first[name])
            message = f'another {what} is called "{name}" too, on line {line}; names must differ'
            errors.append(doc.error(path, message, found=name))
        first.setdefault(name, path)
    return errors
