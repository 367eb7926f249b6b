"""Every command still answers as recorded: the contract with programs that read the answers.

Two records, both made by firmhand itself, so they show change and not correctness:

- `reference/answers.json` holds the JSON, the CSV files and the exit statuses. Keys may be added;
  none may be renamed, removed or changed in value (floats to 1e-6 of their size).
- `reference/screens.json` holds what people read: screens without `--json`, and messages of
  mistakes. Rewording is free, but on purpose: look at the difference, then record anew with
  `python -m tests.bench.record_answers screens`.
"""

import copy
from typing import Any

import pytest

from tests.answers import collect
from tests.recorded import KEPT_ITEMS, differences, load, shortened

Found = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Found:
    answers, screens = collect(tmp_path_factory.mktemp("answers"))
    return {"answers": answers, "screens": screens}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["answers", "screens"])
def test_commands_answer_as_recorded(name: str, found: Found) -> None:
    recorded = load(name)
    changed = list(differences(recorded, found[name]))
    assert not changed, f"{len(changed)} differ, the first: {changed[0]}"
    calls = found[name].keys() - recorded.keys()
    assert not calls, f"not recorded yet: {sorted(calls)}; see tests/bench/record_answers.py"


def test_a_change_is_found_and_named_and_an_added_key_is_none() -> None:
    old = load("answers")
    new = copy.deepcopy(old)
    fit = new["calibrate fit b26.season"]
    fit["added"] = 1
    fit["cuts"][1]["force_N"] *= 1 + 1e-8
    assert not list(differences(old, new))
    fit["cuts"][1]["force_N"] *= 1 + 1e-5
    (one,) = differences(old, new)
    assert one.startswith("calibrate fit b26.season / cuts [1] / force_N: 3.1")
    fit["cuts"][1]["force_N"] = None
    fit["n"] += 1
    del fit["spread"]
    assert len(list(differences(old, new))) == 3


def test_a_long_list_shows_a_change_in_any_row_but_no_added_key() -> None:
    rows: list[dict[str, Any]] = [
        {"peak_N": 0.1 * n, "scores": [{"rater": "ines", "score": 1}] * (n % 3)}
        for n in range(KEPT_ITEMS + 1)
    ]
    more = [row | {"added": n} for n, row in enumerate(rows)]
    assert not list(differences(shortened(rows), shortened(more)))
    more[-1]["peak_N"] += 0.001
    (one,) = differences(shortened(rows), shortened(more))
    assert "[].peak_N" in one
    rows[4]["scores"] = []
    assert any("scores" in one for one in differences(shortened(more), shortened(rows)))
