"""The plan: a CSV of samples read with every cell checked, and put in a stated random order.

Nothing is stored here; `gauge plan` and `gauge log` work it through.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import fields, replace
from datetime import date
from functools import partial
from typing import Any

from gauge.csvsheet import CsvSheet, plain_number
from gauge.errors import AlreadyThereError, BadTableError, InvalidValueError
from gauge.records import Sample, possible
from gauge.season.scores import known_crop
from gauge.sheets.days import day_reader

# Blind codes have no vowels (so that no word appears) and no letters that are mistaken for digits
# or for one another in handwriting; the last letter is a check letter.
LETTERS = "CDFHJKLMNPRTWXY"

_NUMBERS = ("storage_day", "storage_temp_c", "fruit_temp_c", "out_of_store_h", "berries_planned")
# What a plan may say of a sample beside its code.
_KNOWN = sorted({f.name for f in fields(Sample)} - {"code", "plan_order", "cues"})
# Where a column of that name would be taken for a cue, it is more likely a slip.
_RESERVED = {"plan_order": "The order is drawn; see --seed and --order."}


def read_plan(sheet: CsvSheet) -> list[Sample]:
    r"""Read samples from a sheet: `code`, `berries`, and any fields of `Sample`.

    A column `sample` is the code where there is none, `planned` or `berries planned` the berries.

    Columns that `Sample` does not know are kept as cues (rain, harvest hour ...). A BadTableError
    names every code that is missing or stands twice, and every cell that is none of its column.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "plan.csv")
    ...     _ = path.write_text("code,berries,rain\nC-01,20,yes\n")
    ...     [sample] = read_plan(CsvSheet(path))
    >>> sample.code, sample.berries_planned, sample.cues
    ('C-01', 20, {'rain': 'yes'})
    """
    sheet.rename("code", "sample")
    sheet.rename("berries", "planned", "berries_planned")
    sheet.need("code", todo="A plan needs a column code, or sample, and one berries, or planned.")
    for name, why in _RESERVED.items():
        if name in sheet.columns:
            raise BadTableError(f"{sheet.path}, row 1: column '{name}' is not read.", todo=why)
    parsed = sample_columns(sheet, "code")
    cues = [name for name in sheet.header if name not in {"", "berries", *parsed}]
    _check_codes(sheet)
    sheet.refuse()
    return [
        Sample(
            **{name: column[index] for name, column in parsed.items()},  # type: ignore[arg-type]
            cues={name: sheet.columns[name][index] for name in cues if sheet.columns[name][index]},
        )
        for index in range(len(sheet))
    ]


def sample_columns(sheet: CsvSheet, *more: str) -> dict[str, Sequence[object]]:
    """Parse the columns that describe samples; code and berries only where `more` has the code."""
    parsed: dict[str, Sequence[object]] = {}
    for column in sheet.header:
        name = "berries_planned" if more and column == "berries" else column
        if name in _KNOWN or name in more:
            read = partial(_value, sheet.number, name)
            parsed[name] = sheet.parsed(column, _days(sheet) if name == "harvest_date" else read)
    return parsed


def _days(sheet: CsvSheet) -> Callable[[str], str | None]:
    """Read the days of harvest; that their order is not settled is one problem of the column."""
    cells = sheet.columns["harvest_date"]
    try:
        return day_reader(cells)
    except ValueError as error:
        first = next(i for i, cell in enumerate(cells) if cell and f"'{cell}'" in str(error))
        sheet.note(first, "harvest_date", str(error))
    return lambda _: None


def sample_value(name: str, text: str) -> object:
    """Read one value that describes a sample; nothing typed is None.

    An InvalidValueError says that samples have no such field, or the value is none for it.
    """
    if name not in _KNOWN:
        raise InvalidValueError(f"a sample has no '{name}'.", todo=f"It has {', '.join(_KNOWN)}.")
    try:
        return _value(partial(plain_number, comma=True), name, text)
    except ValueError as error:
        raise InvalidValueError(
            f"'{text}' is no {name} of a sample: {error}.", todo="Write it as in the plan."
        ) from None


def _value(number: Callable[[str], float], name: str, text: str) -> object:
    if name == "crop" and text:
        known_crop(text)  # its spelling stays
    if name not in _NUMBERS or not text:
        return day_reader([text])(text) if name == "harvest_date" else text or None
    value = possible(name, number(text))
    if name == "berries_planned":
        if not value.is_integer():
            raise ValueError(f"{text} is not a whole number")
        return int(value)
    return value


def _check_codes(sheet: CsvSheet) -> None:
    seen: dict[str, int] = {}
    for column in ("code", "blind_code"):
        for index, code in enumerate(sheet.columns.get(column, ())):
            if not code:
                if column == "code":
                    sheet.note(index, column, "the cell is empty")
            elif seen.setdefault(code, index) != index:
                first = sheet.numbers[seen[code]]
                sheet.note(index, column, f"'{code}' stands in row {first} too")


def new_samples(
    planned: Sequence[Sample], stored: Sequence[Sample], *, source: str
) -> list[Sample]:
    """Leave out samples that are stored just as they are planned.

    What a plan leaves open may be noted by now, as the temperature of the fruit is at the bench.
    An AlreadyThereError, which names the file of the plan, refuses a sample that is stored
    otherwise.

    Examples
    --------
    >>> one, two = Sample(code="A"), Sample(code="B")
    >>> [sample.code for sample in new_samples([one, two], [one], source="plan.csv")]
    ['B']
    """
    known = {sample.code: sample for sample in stored}
    fresh = []
    for sample in planned:
        old = known.get(sample.code)
        if old is None:
            fresh.append(sample)
            continue
        names = (f.name for f in fields(Sample))
        if changed := [n for n in names if getattr(sample, n) not in (None, {}, getattr(old, n))]:
            raise AlreadyThereError(
                f"{source}: sample '{sample.code}' is in the season with another "
                f"{', '.join(changed)}.",
                todo="Nothing was imported. Give it a new code, or take it out of the plan.",
            )
    return fresh


def drawn(
    samples: Sequence[Sample],
    *,
    seed: int,
    shuffle: bool = True,
    within: Sequence[str] = (),
    blind: bool = True,
    taken: Sequence[Sample] = (),
) -> list[Sample]:
    """Give samples their places after those already planned, and blind codes where they lack one.

    Parameters
    ----------
    samples, taken : sequence of Sample
        To be placed; already in the season.
    seed : int
        The same seed, samples and season give the same order and codes.
    shuffle : bool
        Random order; else that of the file.
    within : sequence of str
        Columns of blocks: all samples of a block come together, the block with the earliest day
        of test first, and the order is random within each.

    Examples
    --------
    >>> plan = drawn([Sample(code=c) for c in "abc"], seed=7)
    >>> [(s.code, s.plan_order, s.blind_code) for s in plan]
    [('c', 1, 'WFMF'), ('a', 2, 'TWTM'), ('b', 3, 'FXCJ')]
    >>> plan = [Sample(code=c, replicate=c[0]) for c in ("2a", "1a", "2b", "1b")]
    >>> [s.code for s in drawn(plan, seed=1, within=["replicate"])]
    ['1b', '1a', '2a', '2b']
    """
    rng = random.Random(seed)
    order = list(samples)
    if shuffle:
        rng.shuffle(order)
    if within:
        order.sort(key=_block_key(samples, within))
    used = {name for s in (*taken, *samples) for name in s.names}
    codes = iter(
        blind_codes(sum(s.blind_code is None for s in order), rng=rng, taken=used) if blind else ()
    )
    first = max((s.plan_order or 0 for s in taken), default=0) + 1
    return [
        replace(s, plan_order=place, blind_code=s.blind_code or next(codes, None))
        for place, s in enumerate(order, first)
    ]


def _block_key(
    samples: Sequence[Sample], within: Sequence[str]
) -> Callable[[Sample], tuple[Any, ...]]:
    """Return what orders samples by block: when it is due, then the columns one after another."""
    known = set(_KNOWN).union(*(sample.cues for sample in samples))
    for name in within:
        if name not in known:
            raise InvalidValueError(
                f"no sample of this plan has a '{name}'.",
                todo=f"--within takes columns of it: {', '.join(sorted(known))}.",
            )

    def key(sample: Sample) -> tuple[Any, ...]:
        dated = {"harvest_date", "storage_day"} & set(within)
        due = sample.due if dated else None
        values = [getattr(sample, name, sample.cues.get(name)) for name in within]
        cells = ["" if value is None else str(value) for value in values]
        # Numbers by size and before words: block 2 comes before block 10.
        numbers = [float(c) if re.fullmatch(r"\d+(\.\d+)?", c) else math.inf for c in cells]
        return due or date.max, *zip(numbers, cells, strict=True)

    return key


def blind_codes(n: int, *, rng: random.Random, taken: Collection[str] = ()) -> list[str]:
    """Draw codes that are all different and differ in two letters at least.

    The letters, numbered from 0 in `LETTERS`, satisfy sum(2**i * letter_i) = 0 modulo 15. The
    weights 1, 2, 4, 8 and the differences of neighbours have no factor in common with 15, so one
    wrong letter, or two neighbours swapped, is never another clamshell's code: it is refused
    and not logged under the wrong clamshell. Codes that are `taken` are not given again.

    >>> blind_codes(2, rng=random.Random(1))
    ['RLFC', 'LKRN']
    """
    free = [code for code in map(_code, range(len(LETTERS) ** 3)) if code not in taken]
    if n > len(free):
        raise InvalidValueError(
            f"{n} blind codes are required, but there are only {len(free)}.",
            todo="Give the plan a column blind_code of your own.",
        )
    return rng.sample(free, n)


def _code(number: int) -> str:
    base = len(LETTERS)
    places = [number % base, number // base % base, number // base**2]
    weighted = sum(place << i for i, place in enumerate(places))
    # 8 times 2 is 1 modulo 15, so this last place makes the weighted sum zero.
    places.append(-2 * weighted % base)
    return "".join(LETTERS[place] for place in places)
