"""Gravity at the bench: standard, or WGS 84 normal gravity at a latitude and height.

No local anomaly is known here: normal gravity is within about 0.005 % of the true value nearly
everywhere, far less than any hand-held gauge resolves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gauge.errors import InvalidValueError
from gauge.units import STANDARD_GRAVITY_M_S2

# WGS 84 (NGA.STND.0036): semi-major axis, flattening, first eccentricity squared, normal gravity
# at the equator, Somigliana's constant, and m = omega^2 a^2 b / GM.
_A_M = 6378137.0
_F = 1 / 298.257223563
_E2 = 0.00669437999014
_G_EQUATOR = 9.7803253359
_K = 0.00193185265241
_M = 0.0034497865068408447


@dataclass(frozen=True, kw_only=True, slots=True)
class Gravity:
    """Acceleration of free fall, where it is from, and by what percentage it may be off."""

    m_s2: float
    source: str
    within_pct: float = 0.3  # where people live, it lies from 9.78 to 9.83 m/s2


def normal_gravity_m_s2(latitude_deg: float, height_m: float = 0.0) -> float:
    """Compute WGS 84 normal gravity at a geodetic latitude and a height above the ellipsoid.

    Height above sea level does as well (1e-5 in a hundred m). Somigliana's closed formula, and the
    second-order series in height: NGA.STND.0036_1.0.0_WGS84, equations 4-1 and 4-3.
    """
    if not -90 <= latitude_deg <= 90:
        raise InvalidValueError(f"latitude {latitude_deg} is not between -90 and 90 degrees.")
    if not -500 <= height_m <= 9000:
        raise InvalidValueError(f"elevation {height_m} m is not between -500 and 9000 m.")
    sin2 = math.sin(math.radians(latitude_deg)) ** 2
    surface = _G_EQUATOR * (1 + _K * sin2) / math.sqrt(1 - _E2 * sin2)
    slope = 2 / _A_M * (1 + _F + _M - 2 * _F * sin2)
    return surface * (1 - slope * height_m + 3 * (height_m / _A_M) ** 2)


def gravity_at(latitude_deg: float | None, elevation_m: float | None) -> Gravity:
    """Choose gravity at the site if the latitude is known, else the standard, and say which."""
    if latitude_deg is None:
        if elevation_m is not None:
            raise InvalidValueError(
                "an elevation without a latitude does not give gravity.",
                todo="Give --latitude as well.",
            )
        return Gravity(
            m_s2=float(STANDARD_GRAVITY_M_S2),
            source="standard gravity 9.80665 m/s2 (no latitude given)",
        )
    height_m = elevation_m or 0.0
    return Gravity(
        m_s2=normal_gravity_m_s2(latitude_deg, height_m),
        source=f"WGS 84 normal gravity at {latitude_deg:g} deg, {height_m:g} m",
        within_pct=0.005 if elevation_m is not None else 0.05,  # a height of up to 1500 m
    )
