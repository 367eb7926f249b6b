"""Where a command's calibration comes from: a stored one, or a fit of the source's own pairs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from calibrate.cuts.calibration import Calibration
from calibrate.cuts.fitting import ForceChoice, fit
from calibrate.data.pairs import Pairs, load_pairs
from calibrate.data.scale import parse_scale
from gauge.season.file import open_season


@dataclass(frozen=True, kw_only=True, slots=True)
class CalibrationChoice:
    """How to come by a calibration.

    Attributes
    ----------
    source : Path
        Season file or CSV of pairs.
    name : str or None
        A calibration stored in the season file; None fits the pairs.
    force_scale, firmest, scores, level
        As for `calibrate fit`.
    raters : tuple of str
        Only these hands; empty for all.
    """

    source: Path
    name: str | None = None
    force_scale: ForceChoice = "linear"
    firmest: str = "first"
    scores: str | None = None
    level: float = 0.95
    raters: tuple[str, ...] = ()

    def pairs(self) -> Pairs:
        r"""Read the pairs of the source.

        Raises
        ------
        FirmhandError
            See `calibrate.data.pairs.load_pairs`.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     path = Path(folder, "R-114.csv")
        ...     _ = path.write_text("force_N,score,rater\n2.4,firm,ines\n1.1,soft,marek\n")
        ...     pairs = CalibrationChoice(source=path, raters=("marek",)).pairs()
        >>> pairs.raters, pairs.force_newton.tolist()
        (('marek',), [1.1])
        """
        return load_pairs(
            self.source,
            firmest=self.firmest,
            scale=None if self.scores is None else parse_scale(self.scores, firmest=self.firmest),
            raters=self.raters,
            positive=self.force_scale == "log",
        )

    def calibration(
        self,
        pairs: Pairs | None = None,
        *,
        level: float | None = None,
        these_raters: bool = False,
    ) -> Calibration:
        """Give the stored calibration, or fit the pairs.

        Parameters
        ----------
        pairs : Pairs, optional
            If they were read already.
        level : float, optional
            Of a fit's intervals; by default that of the choice.
        these_raters : bool
            See `calibrate.cuts.fitting.fit`.

        Raises
        ------
        NoSuchRecordError
            If the season file holds no calibration of that name.
        FirmhandError
            See `calibrate.cuts.fitting.fit`.
        """
        if self.name is not None:
            with open_season(self.source, read_only=True) as season:
                return Calibration.from_document(season.calibration(self.name).document)
        return fit(
            self.pairs() if pairs is None else pairs,
            force_scale=self.force_scale,
            level=self.level if level is None else level,
            firmest=self.firmest,
            these_raters=these_raters,
        )
