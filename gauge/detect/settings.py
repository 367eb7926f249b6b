"""What may be set about the detector: multiples, shares and times, never forces of its own.

A number whose comment ends with "tuned", here and in the other files, was found by trying: by one
somewhat smaller or larger simulated presses go wrong (tests/bench/README.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gauge.errors import InvalidValueError

DETECTOR_VERSION = "7"
"""Another one wherever the same readings can give another peak; sessions keep theirs."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorSettings:
    """Settings of `gauge.detect.Detector`; the defaults fit hand-lowered stands.

    All are above zero; an InvalidValueError names the setting that is not in its range.

    Examples
    --------
    >>> DetectorSettings(press_sigma=12).press_sigma
    12
    """

    onset_sigma: float = 5.0  # sigma above the baseline; a reading there has left it; tuned
    press_sigma: float = 10.0  # sigma of the noise at rest; what rises less is a touch; tuned
    press_steps: float = 4.0  # display steps; what rises by less is one, too; tuned
    shortest_s: float = 0.1  # s; what is over sooner is a knock; tuned
    dip_share: float = 0.05  # of the rise; a drop and rise of so much are a double one; tuned
    # Readings on the loading ramp; fewer are flagged. A linear ramp of n readings that ends in a
    # sudden break can hide up to 1/n of the peak.
    few_readings: int = 10
    # Shortest silence that cuts a press (s), longer for slow or bursty lines: within less a hand
    # hardly releases a berry and presses the next.
    gap_s: float = 0.65
    lowest_hz: float = 3.0  # readings/s; a gauge that sends fewer sends too seldom, and is said to
    capacity_newton: float | None = None  # rating of the gauge; peaks near it are flagged
    # Lowest and highest planned rate of loading as shares of the press's own rise a second (1/s):
    # at one speed of the head a firm berry has more N/s, but the same share. Others are flagged.
    loading_rate_per_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if isinstance(value, int | float) and not 0 < value < math.inf:
                raise InvalidValueError(f"Setting {name} must be above zero, not {value}.")
        if self.dip_share >= 1:
            raise InvalidValueError("Setting dip_share must be below 1.")
        if self.press_sigma < self.onset_sigma:
            raise InvalidValueError("Setting press_sigma must not be below onset_sigma.")
        plan = self.loading_rate_per_s
        if plan is not None and not 0 <= plan[0] < plan[1] < math.inf:
            raise InvalidValueError(
                f"Setting loading_rate_per_s must be (lowest, highest) in 1/s, not {plan}."
            )
