"""Season files with invented berries and hands, made through the season room itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gauge.records import FingerScore, Press, Sample, Session
from gauge.season.file import open_season
from gauge.units import Unit

CUTS_N = (4.5, 3.2, 2.1, 1.2)
HANDS = {"ines": -0.06, "marek": 0.0, "odile": 0.08}


def press(force_newton: float, at_s: float) -> Press:
    """A clean press with this peak, shown in newtons."""
    return Press(
        t_start_s=at_s, t_peak_s=at_s + 1, t_end_s=at_s + 2, peak_shown=f"{force_newton:.3f}",
        peak_unit=Unit.N, peak_newton=float(f"{force_newton:.3f}"), baseline_newton=0.0,
        noise_newton=0.002,
        n_readings=40, n_ramp=20, rate_hz=20.0, loading_rate_newton_s=force_newton,
        sampling_loss_newton=0.02,
    )  # fmt: skip


def make_season(
    path: Path,
    *,
    berries: int = 90,
    seed: int = 1,
    cuts_newton: tuple[float, ...] = CUTS_N,
    hands: dict[str, float] | None = None,
    spread_newton: float = 0.25,
    head_mm: float = 8.0,
    pads: dict[str, float] | None = None,
    twice: int = 0,
) -> Path:
    """Write a blackberry season: berries in clamshells of 30, scored by every rater.

    The first `twice` berries are scored a second time by the first rater.
    """
    from gauge.season.rows import PadPressRow

    rng = np.random.default_rng(seed)
    hands = HANDS if hands is None else hands
    with open_season(path, create=True, crop="blackberry") as season:
        session = season.add_session(
            Session(started_at="2026-07-01T08:00:00Z", head_mm=head_mm, gauge="bench gauge")
        )
        for berry in range(berries):
            if berry % 30 == 0:
                code = f"C{berry // 30 + 1:02d}"
                selection = ("R-114", "R-120")[berry // 30 % 2]
                sample = season.add_sample(
                    Sample(code=code, crop="blackberry", selection=selection, lot=f"L{berry // 30}")
                )
            force = float(rng.uniform(0.5, 5.5))
            feel = force * np.exp(0.05 * rng.normal())
            scores = [
                FingerScore(rater=rater, score=score, occasion=occasion)
                for rater, hand in hands.items()
                for occasion in ((1, 2) if berry < twice and rater == next(iter(hands)) else (1,))
                for felt in [feel + rng.logistic(scale=spread_newton)]
                for score in [str(1 + sum(felt < cut * np.exp(hand) for cut in cuts_newton))]
            ]
            season.acknowledge_berry(
                session, sample, berry % 30 + 1, press(force, 10.0 * berry), scores=scores
            )
        for pad, force in (pads or {}).items():
            season.add_pad_press(
                PadPressRow(pad=pad, at="2026-07-01T08:00:00Z", force_newton=force)
            )
        season.end_session(session)
    return path
