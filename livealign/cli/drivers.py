"""`livealign drivers`."""

import json
from typing import TYPE_CHECKING, Any

import click

from livealign.stream.registry import driver_class, driver_names, format_class, format_names

if TYPE_CHECKING:
    from pydantic import BaseModel

__all__ = ["drivers"]


@click.command(
    epilog="\b\nExamples:\n  livealign drivers\n  livealign drivers serial\n  livealign drivers delimited --json"
)
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print them as JSON.")
def drivers(name: str | None, as_json: bool) -> None:
    """List the drivers and formats that are installed, or the settings of the one called NAME.

    A rig file names them as `kind` in a link's `driver` and `format`, with their settings beside it.
    """
    if name is not None:
        _tell_settings(name, as_json=as_json)
        return
    found = {"drivers": driver_names(), "formats": format_names()}
    if as_json:
        click.echo(json.dumps(found))
        return
    for title, names in found.items():
        click.echo(f"{title}:")
        for one in names or ["(none: is livealign installed?)"]:
            click.echo(f"  {one}")


def _tell_settings(name: str, *, as_json: bool) -> None:
    # A format only if no driver has the name; else the registry says what there is.
    model = (format_class if name in format_names() and name not in driver_names() else driver_class)(
        name
    ).options_model
    if as_json:
        click.echo(json.dumps(model.model_json_schema(), ensure_ascii=False, indent=2))
        return
    _print_settings(model, "")


def _print_settings(model: "type[BaseModel]", indent: str) -> None:
    from pydantic import BaseModel

    from livealign.config.allowed import place

    told = _docstrings(model)
    for key, field in model.model_fields.items():
        needed = (
            "needed"
            if field.is_required()
            else f"left out: {_shown(field.get_default(call_default_factory=True))}"
        )
        click.echo(f"{indent}{key}  ({place(model, (key,)).takes or 'see the manual'}; {needed})")
        if key in told:
            click.echo(f"{indent}    {told[key]}")
        inner = [
            m for m in (field.annotation, *getattr(field.annotation, "__args__", ())) if isinstance(m, type)
        ]
        for one in inner:
            if issubclass(one, BaseModel):
                _print_settings(one, f"{indent}    ")


def _shown(value: Any) -> str:
    if value is None or value in ((), {}):
        return "none"
    return json.dumps(value, default=str)


def _docstrings(model: "type[BaseModel]") -> dict[str, str]:
    """Return the words that stand below each setting in the source."""
    import ast
    import inspect
    import textwrap
    from itertools import pairwise

    found: dict[str, str] = {}
    for one in reversed(model.__mro__):
        if not one.__module__.startswith(("pydantic", "builtins", "abc")):
            body = ast.parse(textwrap.dedent(inspect.getsource(one))).body[0]
            for this, after in pairwise(getattr(body, "body", ())):
                if isinstance(this, ast.AnnAssign) and isinstance(this.target, ast.Name) and _is_text(after):
                    found[this.target.id] = " ".join(after.value.value.split())
    return found


def _is_text(node: Any) -> bool:
    import ast

    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )
