"""Small tables for the recorded calls."""

from __future__ import annotations

import math
import random
from pathlib import Path


def write_tables() -> None:
    """Write small tables: invented berries and hands, and the mistakes that people make."""
    draw = random.Random(5)
    cuts = (4.4, 3.2, 2.2, 1.3)
    hands = {"ines": 0.95, "marek": 1.0, "odile": 1.06}
    rows = []
    for berry in range(80):
        force = 0.5 + 0.065 * berry
        felt = force * math.exp(0.04 * draw.gauss(0, 1))
        for rater, hand in hands.items():
            score = 1 + sum(felt + 0.35 * draw.gauss(0, 1) < cut * hand for cut in cuts)
            rows.append((berry, rater, force, score))

    def write(name: str, header: str, lines: list[str]) -> None:
        Path(name).write_text("\n".join([header, *lines]) + "\n", "utf-8")

    write("pairs.csv", "berry,rater,force_N,score,selection,storage_day,rain", [
        f"{b},{r},{f:.3f},{s},R-{114 + b % 3},{b % 2 * 7},{b % 5}" for b, r, f, s in rows
    ])  # fmt: skip
    write("words.csv", "berry,rater,force,unit,score", [
        f"{b},{r},{f / 4.4482216:.4f},lbf,{'firm' if s < 4 else 'soft'}" for b, r, f, s in rows
    ])  # fmt: skip
    write("counts.csv", "force,unit,score,count", [
        f"{f / 9.80665:.5f},kgf,{s},{b % 4}" for b, _, f, s in rows
    ])  # fmt: skip
    write("last.csv", "force,unit,score", [f"{f:.3f},N,{6 - s}" for _, _, f, s in rows])
    write("unused.csv", "force_N,score", [f"{f:.3f},{min(s, 3)}" for _, _, f, s in rows])
    write("lone.csv", "berry,rater,force_N,score", [
        f"{b},{r},{f:.3f},{s}" for b, r, f, s in rows if r == "ines"
    ])  # fmt: skip
    write("apart.csv", "force_N,score", [f"{f:.3f},{1 + (f < 2)}" for _, _, f, _ in rows])
    write("onescore.csv", "force_N,score", ["1.2,3", "1.4,3", "2.0,3"])
    write("header.csv", "force_N,score", [])
    write("noforce.csv", "peak,score", ["1.2,3", "1.4,4"])
    write("badforce.csv", "force_N,score", ["1.2,3", "soft,4"])
    write("badscore.csv", "force_N,score", ["1.2,3", "1.4,7"])
    Path("empty.csv").write_text("", "utf-8")
    write("twice.csv", "berry,rater,score", ["1,a,2", "1,a,3", "1,b,2"])
    for name, force in (("told.csv", 1.2), ("contrary.csv", 1.3)):
        write(name, "season,sample,berry,selection,force_N", [f"2026,T-1,1,R-114,{force}"])
    write("again.csv", "sample,number,score", [f"P26-01,{n},firm" for n in range(1, 5)])
    write("stray.csv", "sample,number,rater,score", ["B26-01,1,tove,2", "B26-01,99,tove,9"])
    write("candidates.csv", "label,force_N,kind", [
        f"K-{n:02},{0.4 + 0.3 * n:.2f},{('berry', 'lot', 'pad')[n % 3]}" for n in range(20)
    ])  # fmt: skip
    lots = "lot,mean_N,sd_N,available"
    write("lots.csv", lots, ["fresh,4.6,0.8,60", "day 4,3.1,0.6,60", "day 9,1.6,0.7,80"])
    write("badlots.csv", lots, ["fresh,-4.8,0.9,40"])
    sheets = "sample,selection,planned,firm,soft,leaky"
    write("sheets.csv", sheets, ["A,P-051,25,20,5,1", "B,P-077,25,9,16,4", "C,P-051,25,25,0,0"])
    write("kept.csv", sheets.replace("selection,", ""), ["P26-01,20,12,8,1"])
    write("badsheet.csv", sheets, ["A,P-051,25,20,5,40"])
    write("two.csv", "berry,gauge,force,unit", [
        line for b, _, f, _ in rows[::6]
        for line in (f"{b},old,{f * 0.2287:.3f},lbf", f"{b},new,{f + 0.02 * (b % 3):.2f},N")
    ])  # fmt: skip
    write("labs.csv", "lab,level,force_N", [
        f"{lab},{level},{level * (1 + 0.01 * lab) + 0.02 * draw.gauss(0, 1):.3f}"
        for lab in range(1, 5) for level in (1, 3) for _ in range(3)
    ])  # fmt: skip
