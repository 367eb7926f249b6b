"""Whether a season whose schema was changed by a stranger is ever used.

`nice -n 10 python -m tests.bench.foreign_schemas [CASES] [SEED]`: random triggers, views, tables,
indexes, columns and rewritten definitions; each file must be refused for reading and for writing,
within seconds, and stay as it is.
"""

from __future__ import annotations

import contextlib
import random
import re
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

from gauge.errors import DamagedSeasonError, NotASeasonError
from gauge.season.file import open_season
from gauge.season.schema import VERSION, known_objects
from tests.durability import SCRATCH
from tests.seasons import make_season

TABLES = [name for kind, name in known_objects(VERSION) if kind == "table"]
VIEWS = ["berry", "pair"]


def change(rng: random.Random) -> tuple[str, ...]:
    """Statements that make a schema another one."""
    table, view, n = rng.choice(TABLES), rng.choice(VIEWS), rng.randrange(10**6)
    name = rng.choice([f"x{n}", f"sqlite{n}", f"{table}_{n}", f'"a b{n}"'])
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT * FROM n"
    when = rng.choice(["BEFORE", "AFTER"]) + rng.choice([" INSERT", " UPDATE", " DELETE"])
    does = rng.choice(
        [f"DELETE FROM {rng.choice(TABLES)}", "UPDATE peaks SET peak_n = 9.99", endless]
    )
    kinds: list[tuple[str, ...]] = [
        (f"CREATE TRIGGER {name} {when} ON {table} BEGIN {does}; END",),
        (f"CREATE TRIGGER {name} INSTEAD OF INSERT ON {view} BEGIN {does}; END",),
        (f"CREATE TABLE {name} (x)",),
        (f"CREATE VIEW {name} AS {endless}",),
        (f"DROP VIEW {view}", f"CREATE VIEW {view} AS {endless}"),
        (f"DROP VIEW {view}", f"CREATE TABLE {view} (berry_id, sample)"),
        (f"CREATE INDEX {name} ON scores (score)",),
        (f"ALTER TABLE {table} ADD COLUMN {name} TEXT DEFAULT 'x'",),
        (f"ALTER TABLE {table} ADD COLUMN {name} TEXT GENERATED ALWAYS AS ('9.99') VIRTUAL",),
        (f"CREATE VIRTUAL TABLE {name} USING fts5 (x)",),
    ]
    return rng.choice(kinds)


def rewritten(db: sqlite3.Connection, rng: random.Random) -> None:
    """Change the text of one definition, as no statement could."""
    db.execute("PRAGMA writable_schema = ON")
    rows = db.execute("SELECT name, sql FROM sqlite_schema WHERE sql LIKE '%CHECK%'").fetchall()
    name, sql = rng.choice(rows)
    spots = list(re.finditer(r" CHECK \([^()]*\)| NOT NULL| UNIQUE| STRICT", sql))
    spot = rng.choice(spots)
    new = sql[: spot.start()] + sql[spot.end() :]
    db.execute("UPDATE sqlite_schema SET sql = ? WHERE name = ?", (new, name))


def main() -> int:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    wrong, slowest = [], 0.0
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        sound = make_season(Path(folder) / "sound.season", berries=30).read_bytes()
        path = Path(folder) / "a.season"
        for case in range(cases):
            path.write_bytes(sound)
            statements = change(rng)
            with contextlib.closing(sqlite3.connect(path)) as db:
                try:
                    if rng.random() < 0.2:
                        statements = ("rewritten",)
                        rewritten(db, rng)
                    else:
                        for statement in statements:
                            db.execute(statement)
                except sqlite3.Error:
                    continue  # SQLite itself refuses that one
                db.commit()
            before = path.read_bytes()
            for read_only in (True, False):
                start = time.monotonic()
                try:
                    open_season(path, read_only=read_only).close()
                    wrong.append(f"case {case}: used, {statements}")
                except (NotASeasonError, DamagedSeasonError):
                    pass
                except Exception as error:
                    wrong.append(f"case {case}: {type(error).__name__}: {error}, {statements}")
                slowest = max(slowest, time.monotonic() - start)
            if path.read_bytes() != before:
                wrong.append(f"case {case}: changed, {statements}")
    print(f"{cases} schemas, slowest {slowest:.2f} s, wrong: {len(wrong)}", *wrong[:20], sep="\n")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
