"""What may be set about the detector of compressions: multiples, shares and times, never forces.

Every force that the detector compares with is a multiple of the noise and resolution that it finds
in the readings, or a share of the press itself. Nothing is detected here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from gauge.errors import InvalidValueError

DETECTOR_VERSION = "1"
"""Another one wherever the same readings can give another peak; sessions keep theirs."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorSettings:
    """Settings of `gauge.detect.compression.Detector`; the defaults fit hand-lowered stands.

    Noise means the larger of the robust standard deviation at rest and half a display step.

    Attributes
    ----------
    onset_noises : float
        A reading this many noises off the rest level has left it.
    release_noises : float
        A press comes to its end within this many noises of the rest level (or `near_share`), drift
        and its uncertainty allowed for.
    press_noises : float
        What rises less than this many noises is a touch and no compression.
    press_steps : float
        The same in display steps, for a display that is still at rest (some less while too few
        numbers were seen to know the step).
    shortest_s : float
        What is over sooner (at rates that can show it) is a knock and no compression.
    near_share : float
        A press comes to its end, too, within this share of its rise above the rest level.
    dip_share : float
        A drop and a second rise count as a double rise from this share of the rise on.
    dwell_s : float
        How long the readings must stay near the rest level (3 to 10 readings).
    few_readings : int
        Fewer readings on the loading ramp are flagged. A linear ramp of n readings with a sudden
        break can hide up to 1/n of the peak.
    gap_s : float
        The shortest silence that can count as a gap; it is longer for slow or bursty lines.
    rest_s : float
        How long the readings must be level before they count as rest.
    loading_rate_newton_s : tuple of float, optional
        Lowest and highest planned rate of loading (N/s); outside it a berry is flagged.

    Raises
    ------
    InvalidValueError
        If a number is not finite or out of its range; the message names the setting.

    Examples
    --------
    >>> DetectorSettings(press_noises=12).press_noises
    12
    """

    onset_noises: float = 5.0
    release_noises: float = 3.5
    press_noises: float = 10.0
    press_steps: float = 4.5
    shortest_s: float = 0.1
    near_share: float = 0.06
    dip_share: float = 0.05
    dwell_s: float = 0.0595
    few_readings: int = 10
    gap_s: float = 0.25
    rest_s: float = 0.2
    loading_rate_newton_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "loading_rate_newton_s" and not (math.isfinite(value) and value > 0):
                raise InvalidValueError(f"Setting {item.name} must be above zero, not {value}.")
        for name in ("near_share", "dip_share"):
            if getattr(self, name) >= 0.5:
                raise InvalidValueError(f"Setting {name} must be below 0.5.")
        if self.press_noises < self.onset_noises:
            raise InvalidValueError("Setting press_noises must not be below onset_noises.")
        plan = self.loading_rate_newton_s
        if plan is not None and not 0 <= plan[0] < plan[1] < math.inf:
            raise InvalidValueError(
                f"Setting loading_rate_newton_s must be (lowest, highest) in N/s, not {plan}."
            )
