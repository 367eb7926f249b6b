"""`gauge convert`: a force from one unit to another."""

from __future__ import annotations

import click

from gauge.clikit import json_option
from gauge.printed import echo, emit_json
from gauge.units import UNIT_NAMES, convert, parse_unit

HELP = f"""Convert a force between units.

Units are {UNIT_NAMES}, and the spellings that gauges print (lb, lbF, kg, g, oz ...). The factors
are exact: 5 lbf is 22.2411080763025 N.

\b
gauge convert 5 lbf N
gauge convert -1.5 N lbf --json
"""


@click.command(
    "convert", context_settings={"ignore_unknown_options": True}, no_args_is_help=True, help=HELP
)
@click.argument("value")
@click.argument("source", metavar="FROM")
@click.argument("target", metavar="TO")
@json_option
def command(value: str, source: str, target: str, as_json: bool) -> None:
    """Convert a force between units."""
    unit = parse_unit(target)
    result = convert(value, parse_unit(source), unit)
    if as_json:
        emit_json({"value": result, "unit": str(unit)})
    else:
        echo(f"{value} {parse_unit(source)} = {result:.7g} {unit}")
