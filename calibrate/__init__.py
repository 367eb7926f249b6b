"""firmhand for the lab manager: from peaks and finger scores to cut points, anchors and verdicts.

For a notebook: `load_pairs` reads a season file or a CSV and `fit` gives its cut points;
`check_rater`, `choose_anchors` and `compare_seasons` take what these two return.
"""

from typing import TYPE_CHECKING

from gauge.package import public_names

__all__ = [
    "Calibration",
    "Pairs",
    "check_rater",
    "choose_anchors",
    "compare_seasons",
    "fit",
    "load_calibration",
    "load_pairs",
]

if TYPE_CHECKING:
    from calibrate.anchors.choice import choose_anchors
    from calibrate.cuts.calibration import Calibration
    from calibrate.cuts.fitting import fit
    from calibrate.cuts.loading import load_calibration
    from calibrate.cuts.seasonshift import compare_seasons
    from calibrate.data.pairs import Pairs, load_pairs
    from calibrate.raters.check import check_rater
else:
    __getattr__, __dir__ = public_names(
        __name__,
        {
            "Calibration": "calibrate.cuts.calibration",
            "Pairs": "calibrate.data.pairs",
            "check_rater": "calibrate.raters.check",
            "choose_anchors": "calibrate.anchors.choice",
            "compare_seasons": "calibrate.cuts.seasonshift",
            "fit": "calibrate.cuts.fitting",
            "load_calibration": "calibrate.cuts.loading",
            "load_pairs": "calibrate.data.pairs",
        },
    )
