"""What may be set about the detector: multiples, shares and times, never forces of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from gauge.errors import InvalidValueError

DETECTOR_VERSION = "2"
"""Another one wherever the same readings can give another peak; sessions keep theirs."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorSettings:
    """Settings of `gauge.detect.Detector`; the defaults fit hand-lowered stands.

    Attributes
    ----------
    onset_sigma : float
        A reading so many standard deviations above the predicted baseline has left it.
    press_sigma : float
        What rises less than so many standard deviations of the noise at rest is a touch.
    press_steps : float
        The same in display steps.
    shortest_s : float
        What is over sooner is a knock.
    dip_share : float
        A drop and a second rise count as a double rise from this share of the rise on.
    few_readings : int
        Fewer readings on the loading ramp are flagged. A linear ramp of n readings with a sudden
        break can hide up to 1/n of the peak.
    gap_s : float
        The shortest silence that cuts a press; it is longer for slow or bursty lines.
    lowest_hz : float
        A gauge that sends fewer readings a second sends too seldom, and is said to.
    capacity_newton : float, optional
        Rating of the gauge; a peak of 95 % of it and more is flagged.
    loading_rate_per_s : tuple of float, optional
        Lowest and highest planned rate of loading, as a share of the press's own rise a second
        (1/s): at one speed of the head a firm berry has more N/s, but the same share. Outside it a
        berry is flagged.

    Raises
    ------
    InvalidValueError
        If a number is not finite or out of its range; the message names the setting.

    Examples
    --------
    >>> DetectorSettings(press_sigma=12).press_sigma
    12
    """

    onset_sigma: float = 5.0
    press_sigma: float = 10.0
    press_steps: float = 4.5
    shortest_s: float = 0.1
    dip_share: float = 0.05
    few_readings: int = 10
    gap_s: float = 0.5
    lowest_hz: float = 3.0
    capacity_newton: float | None = None
    loading_rate_per_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, int | float) and not (math.isfinite(value) and value > 0):
                raise InvalidValueError(f"Setting {item.name} must be above zero, not {value}.")
        if self.dip_share >= 1:
            raise InvalidValueError("Setting dip_share must be below 1.")
        if self.press_sigma < self.onset_sigma:
            raise InvalidValueError("Setting press_sigma must not be below onset_sigma.")
        plan = self.loading_rate_per_s
        if plan is not None and not 0 <= plan[0] < plan[1] < math.inf:
            raise InvalidValueError(
                f"Setting loading_rate_per_s must be (lowest, highest) in 1/s, not {plan}."
            )
