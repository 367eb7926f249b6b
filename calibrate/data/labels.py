"""How a score and a force are written for a person or in JSON."""

from __future__ import annotations


def format_newton(value: float | None, *, missing: str = "open") -> str:
    """Write a force for a table: two decimals, more for small forces.

    Examples
    --------
    >>> format_newton(5.4075), format_newton(0.03218), format_newton(None)
    ('5.41', '0.0322', 'open')
    """
    if value is None:
        return missing
    return f"{value:.2f}" if abs(value) >= 0.1 or value == 0 else f"{value:.3g}"


def format_value(value: float | None, how: str = ".2f", *, missing: str = "unknown") -> str:
    """Write a number that may be missing.

    Examples
    --------
    >>> format_value(0.7712), format_value(None), format_value(0.3, "+.0%", missing="-")
    ('0.77', 'unknown', '+30%')
    """
    return missing if value is None else format(value, how)


def as_label(label: str) -> int | str:
    """Write a score for JSON: a number where it is written as one.

    Examples
    --------
    >>> as_label("3"), as_label("firm")
    (3, 'firm')
    """
    return int(label) if label.removeprefix("-").isdecimal() else label
