"""Loading a calibration that was made before, from a season file or a file of `calibrate fit`."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.pairs import looks_like_season
from calibrate.data.scale import parse_scale
from calibrate.stats.forcespread import NO_GROWTH, SpreadGrowth
from gauge.errors import (
    BadTableError,
    CannotCompareError,
    FirmhandError,
    InvalidValueError,
    NoSuchRecordError,
    UnreadableFileError,
)
from gauge.outfile import refuse_irregular


def load_calibration(
    *sources: Path | str, name: str | None = None, sale_limit: str | None = None
) -> Calibration:
    """Load a calibration that was made before.

    Parameters
    ----------
    *sources : path
        With a name, season files, of which the first that holds the calibration is taken; CSVs
        among several are passed over. Without a name, one file with the JSON that
        `calibrate fit --json` prints, or with a stored calibration's document.
    name : str, optional
    sale_limit : str, optional
        Softest score that may be sold; by default that of the calibration, or of 1-5 and of firm,
        soft.

    Raises
    ------
    NoSuchRecordError
        If no source holds a calibration of that name.
    CannotCompareError
        If two hold different calibrations of that name.
    UnreadableFileError
        If a file cannot be read.
    BadTableError
        If a file holds no cut points.
    InvalidValueError
        If the cut points or the sale limit are impossible.
    """
    paths = [Path(source) for source in sources]
    if name is not None:
        return _stored(paths, name).with_limit(sale_limit)
    if len(paths) != 1:
        raise InvalidValueError(
            f"{len(paths)} sources and no name of a calibration.", todo="Give a name, or one file."
        )
    return _from_json(paths[0]).with_limit(sale_limit)


def _stored(paths: list[Path], name: str) -> Calibration:
    """Find a calibration by name in the season files among the paths."""
    from gauge.season.file import open_season

    if len(paths) == 1:
        with open_season(paths[0], read_only=True) as season:
            return Calibration.from_document(season.calibration(name).document)
    found = []
    for path in filter(looks_like_season, paths):
        with open_season(path, read_only=True) as season:
            found += [(path, row) for row in season.calibrations() if row.name == name]
    if not found:
        raise NoSuchRecordError(
            f"No source holds a calibration '{name}'.",
            todo="Make one with 'calibrate adopt', or give --cuts FILE.json.",
        )
    if len({row.fingerprint for _, row in found}) > 1:
        raise CannotCompareError(
            f"{found[0][0]} and {found[1][0]} hold different calibrations '{name}'.",
            todo="Give one of them as --cuts FILE.json.",
        )
    return Calibration.from_document(found[0][1].document)


def _from_json(path: Path) -> Calibration:
    """Read a file of `calibrate fit --json`, or a document of a calibration."""
    try:
        refuse_irregular(path)
        document = json.loads(path.read_text(encoding="utf-8"))
        if "cuts_n" in document:
            return Calibration.from_document(document)
        return _from_fit(document, str(path))
    except OSError as error:
        raise UnreadableFileError(f"{path} cannot be read: {error.strerror or error}.") from None
    except FirmhandError:
        raise
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        what = f"is not JSON: {error}"
    except (KeyError, TypeError, ValueError) as error:
        what = f"holds no cut points ({error!r})"
    raise BadTableError(f"{path} {what}.", todo="Write it with 'calibrate fit ... --json'.")


def _from_fit(document: dict[str, Any], source: str) -> Calibration:
    """Read the JSON of `calibrate fit`."""
    labels = [_label(score) for score in document["scores"]]
    by_pair = {frozenset(map(_label, cut["between"])): cut for cut in document["cuts"]}
    ordered = [by_pair[frozenset(pair)] for pair in itertools.pairwise(labels)]
    # The two beside a score that nobody gave lie together.
    ordered = [cut.get("together", cut) for cut in ordered]
    known = [cut["force_N"] for cut in ordered if cut["force_N"] is not None]
    # A fit whose last score is the firmest lists scores and cuts the other way round.
    if known and known[0] < known[-1]:
        labels, ordered = labels[::-1], ordered[::-1]
    columns = ([cut.get(key) for cut in ordered] for key in ("force_N", "low_N", "high_N"))
    return Calibration(
        scale=parse_scale(",".join(labels)),
        force_scale=document.get("force_scale", "linear"),
        cuts=as_cuts(*columns),
        spread=float(document["spread"]),
        growth=_growth(document.get("spread_growth")),
        n=int(document.get("n", 0)),
        level=float(document.get("level", 0.95)),
        hand_sd=document.get("hand_sd"),
        hand_sds=tuple(document.get("hand_sds", ())),
        source=source,
    )


def _growth(document: dict[str, float] | None) -> SpreadGrowth:
    if document is None:
        return NO_GROWTH
    rest = {key: document[key] for key in ("power", "error", "p_value")}
    return SpreadGrowth(at_newton=document["at_N"], **rest)


def _label(score: object) -> str:
    return str(int(score)) if isinstance(score, float) and score.is_integer() else str(score)
