"""Fields of a record as options: what a command takes follows from their names and types."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from gauge.clikit import DAY, argument, option, parameters


@dataclass(frozen=True, kw_only=True, slots=True)
class Shared:
    level: float = option("Level.", low=0, high=1, default=0.95)
    spread: float | None = option("Spread.", above=0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked(Shared):
    source: Path = argument()
    n_berries: int = option("Berries.", "--berries", low=1, default=2)
    raters: tuple[str, ...] = option("A rater; repeat.", "--rater")
    forces: tuple[float, ...] | None = option("Forces.", read=lambda text: (float(text),))
    as_typed: bool = option("As typed.")
    out: Path | None = option("A file.")
    spread: float | None = option("Spread of the fingers.", low=1)


def run(*words: str) -> tuple[Any, Asked | None]:
    received: list[Asked] = []
    command = click.Command("show", callback=lambda **given: received.append(Asked(**given)))
    command.params += parameters(Asked)
    return CliRunner().invoke(command, words), received[0] if received else None


def test_a_record_is_made_of_what_was_typed() -> None:
    _, plain = run("a.season")
    assert plain == Asked(
        source=Path("a.season"), n_berries=2, raters=(), forces=None, as_typed=False, out=None,
        level=0.95, spread=None,
    )  # fmt: skip
    _, full = run(
        "a.season", "--berries", "3", "--rater", "ines", "--rater", "odile", "--forces", "2.5",
        "--as-typed", "--out", "x.csv", "--level", "0.9", "--spread", "1",
    )  # fmt: skip
    assert full == Asked(
        source=Path("a.season"), n_berries=3, raters=("ines", "odile"), forces=(2.5,),
        as_typed=True, out=Path("x.csv"), level=0.9, spread=1.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--berries", "0"), "'--berries': 0 is not in the range x>=1"),
        (("--berries", "1.5"), "'--berries': '1.5' is not a valid integer."),
        (("--level", "0,9"), "'--level': '0,9': type a point, 0.9."),
        (("--level", "a"), "'--level': 'a' is not a valid number."),
        (("--level", "nan"), "'--level': nan is no number of this kind"),
        (("--spread", "0.5"), "'--spread': 0.5 is not in the range x>=1"),
        (("--n-berries", "3"), "No such option '--n-berries'"),
    ],
)
def test_bounds_and_flags_are_those_of_the_fields(words: tuple[str, ...], why: str) -> None:
    result, received = run("a.season", *words)
    assert result.exit_code == 2
    assert why in result.output
    assert received is None


def test_its_own_come_before_those_that_it_shares() -> None:
    names = [one.name for one in parameters(Asked)]
    own = ["source", "n_berries", "raters", "forces", "as_typed", "out", "spread"]
    assert names == [*own, "level"]
    (spread,) = (one for one in parameters(Asked) if one.name == "spread")
    assert isinstance(spread, click.Option)
    assert spread.help == "Spread of the fingers."


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("2026-07-31", "2026-07-31"),
        ("31.7.2026", "2026-07-31"),
        ("7/8/2026", None),
        ("31.2.2026", None),
    ],
)
def test_a_day_is_as_on_a_sheet_and_one_that_may_be_another_is_refused(
    typed: str, day: str | None
) -> None:
    @click.command()
    @click.option("--on", type=DAY)
    def show(on: datetime) -> None:
        click.echo(on.date().isoformat())

    result = CliRunner().invoke(show, ["--on", typed])
    assert result.exit_code == (0 if day else 2)
    assert (day or f"'{typed}' is no day such as 2026-07-31.") in result.output
