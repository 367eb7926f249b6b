"""The SQL of the season file, one migration a step of user_version. No connection is opened here.

Tables are plural and internal; the views `berry` and `pair` are what a person reads in R,
Datasette or DuckDB. Times are ISO 8601 UTC text; forces are newtons beside value and unit as shown.
"""

from __future__ import annotations

import contextlib
import functools
import re
import sqlite3

# "fhsn" in ASCII: marks a season file among SQLite files.
APPLICATION_ID = 0x6668736E

_ACQUISITION = """
CREATE TABLE season (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    code TEXT NOT NULL,              -- e.g. '2026 blackberry'
    crop TEXT,
    scale TEXT NOT NULL,             -- JSON {"name":, "labels":[firmest first], "sale_limit":}
    latitude_deg REAL, elevation_m REAL,
    created_at TEXT NOT NULL,
    created_by TEXT NOT NULL         -- firmhand version
) STRICT;
CREATE TABLE samples (
    sample_id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    blind_code TEXT UNIQUE,
    crop TEXT, selection TEXT, plot TEXT, replicate TEXT,
    harvest_date TEXT, storage_day REAL, storage_temp_c REAL, fruit_temp_c REAL,
    clamshell TEXT, site TEXT, lot TEXT,
    berries_planned INTEGER CHECK (berries_planned > 0),
    plan_order INTEGER,
    cues TEXT NOT NULL DEFAULT '{}'  -- JSON, other columns of the plan (rain, harvest hour ...)
) STRICT;
CREATE TABLE sessions (
    session_id INTEGER PRIMARY KEY,
    started_at TEXT NOT NULL, ended_at TEXT,
    purpose TEXT NOT NULL DEFAULT 'berries'
        CHECK (purpose IN ('berries', 'verify', 'anchors', 'practice')),
    operator TEXT, gauge TEXT, gauge_serial TEXT,
    head_mm REAL CHECK (head_mm > 0), capacity_n REAL CHECK (capacity_n > 0),
    port TEXT, line_format TEXT, note TEXT
) STRICT;
CREATE TABLE chunks (
    session_id INTEGER NOT NULL REFERENCES sessions,
    seq INTEGER NOT NULL,
    from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL, n_bytes INTEGER NOT NULL,
    packed BLOB NOT NULL,            -- zlib of capture text
    PRIMARY KEY (session_id, seq)
) STRICT;
CREATE TABLE gaps (
    gap_id INTEGER PRIMARY KEY,
    session_id INTEGER NOT NULL REFERENCES sessions,
    from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL, reason TEXT NOT NULL
) STRICT;
CREATE TABLE berries (
    berry_id INTEGER PRIMARY KEY,
    sample_id INTEGER NOT NULL REFERENCES samples,
    number INTEGER NOT NULL CHECK (number > 0),   -- berry 7 of the sample
    size_mm REAL CHECK (size_mm > 0), fruit_temp_c REAL,
    at TEXT NOT NULL,
    void_why TEXT CHECK (length(trim(void_why)) > 0), void_at TEXT,
    CHECK ((void_why IS NULL) = (void_at IS NULL))
) STRICT;
-- A voided berry stays, but frees its number: the next press is berry 7 again.
CREATE UNIQUE INDEX berry_number ON berries (sample_id, number) WHERE void_why IS NULL;
CREATE INDEX berry_sample ON berries (sample_id);
CREATE TABLE peaks (
    berry_id INTEGER PRIMARY KEY REFERENCES berries,
    session_id INTEGER NOT NULL REFERENCES sessions,
    start_s REAL NOT NULL, peak_s REAL NOT NULL, end_s REAL NOT NULL,
    peak_shown TEXT NOT NULL, peak_unit TEXT NOT NULL,
    peak_n REAL NOT NULL CHECK (peak_n > 0),
    -- What describes the press is NULL where it is not a number: no reason to lose a berry.
    baseline_n REAL, noise_n REAL,
    n_readings INTEGER NOT NULL, n_ramp INTEGER NOT NULL,
    rate_hz REAL, loading_rate_n_s REAL, sampling_loss_n REAL,
    flags TEXT NOT NULL DEFAULT '[]', -- JSON list
    at TEXT NOT NULL
) STRICT;
-- The same press of the same session is never stored twice.
CREATE UNIQUE INDEX peak_once ON peaks (session_id, start_s);
CREATE TABLE scores (
    score_id INTEGER PRIMARY KEY,
    berry_id INTEGER NOT NULL REFERENCES berries,
    rater TEXT NOT NULL,
    score TEXT NOT NULL,             -- label on the season's scale
    score_rank INTEGER NOT NULL CHECK (score_rank > 0),  -- 1 is the firmest label
    occasion INTEGER NOT NULL DEFAULT 1 CHECK (occasion > 0),
    at TEXT NOT NULL,
    source TEXT NOT NULL DEFAULT 'gauge',  -- 'gauge' or the sheet's file name
    UNIQUE (berry_id, rater, occasion)
) STRICT;
CREATE INDEX score_rater ON scores (rater);
CREATE VIEW berry AS
    SELECT b.berry_id, s.code AS sample, b.number, s.crop, s.selection, s.plot, s.replicate,
           s.harvest_date, s.storage_day, s.storage_temp_c, s.clamshell, s.site, s.lot,
           coalesce(b.fruit_temp_c, s.fruit_temp_c) AS fruit_temp_c, b.size_mm,
           p.peak_shown AS peak, p.peak_unit AS unit, p.peak_n AS "peak_N", p.flags,
           p.session_id, p.sampling_loss_n AS "sampling_loss_N",
           p.loading_rate_n_s AS "loading_rate_N_s",
           b.at, b.void_why AS void
    FROM berries b JOIN samples s USING (sample_id)
    LEFT JOIN peaks p USING (berry_id);
CREATE VIEW pair AS
    SELECT b.berry_id, b.sample, b.number, c.rater, c.score, c.score_rank, c.occasion,
           b."peak_N" AS "force_N", b.selection, b.lot, b.harvest_date, b.storage_day,
           b.fruit_temp_c, b.size_mm, b.site, b.session_id, b.flags, c.at AS scored_at
    FROM scores c JOIN berry b USING (berry_id)
    WHERE b."peak_N" IS NOT NULL AND b.void IS NULL;
"""

_CHECKS = """
CREATE TABLE verifications (
    verification_id INTEGER PRIMARY KEY,
    session_id INTEGER REFERENCES sessions,
    at TEXT NOT NULL,
    gauge TEXT, gauge_serial TEXT,
    gravity_m_s2 REAL NOT NULL, gravity_from TEXT NOT NULL,
    tolerance_pct REAL NOT NULL,
    passed INTEGER NOT NULL CHECK (passed IN (0, 1)),
    result TEXT NOT NULL             -- JSON, the whole verdict
) STRICT;
CREATE TABLE checkweights (
    verification_id INTEGER NOT NULL REFERENCES verifications,
    step INTEGER NOT NULL,
    kind TEXT NOT NULL,              -- 'zero', 'up', 'down', 'repeat'
    mass_shown TEXT, mass_g REAL, expected_n REAL NOT NULL,
    reading_shown TEXT NOT NULL, reading_unit TEXT NOT NULL, reading_n REAL NOT NULL,
    PRIMARY KEY (verification_id, step)
) STRICT;
CREATE TABLE notes (
    note_id INTEGER PRIMARY KEY,
    session_id INTEGER REFERENCES sessions, berry_id INTEGER REFERENCES berries,
    at TEXT NOT NULL, text TEXT NOT NULL
) STRICT;
"""

_MANAGEMENT = """
CREATE TABLE calibrations (
    name TEXT PRIMARY KEY,
    at TEXT NOT NULL,
    fingerprint TEXT NOT NULL,       -- of the data that it was fitted to
    version TEXT NOT NULL,           -- firmhand version that made it
    document TEXT NOT NULL           -- JSON
) STRICT;
CREATE TABLE anchors (
    anchor_id INTEGER PRIMARY KEY,
    calibration TEXT NOT NULL REFERENCES calibrations (name),
    kind TEXT NOT NULL CHECK (kind IN ('berry', 'lot', 'pad')),
    label TEXT NOT NULL,             -- what is written on it
    berry_id INTEGER REFERENCES berries,
    score TEXT, boundary TEXT,       -- stands for a score, or a boundary such as '2/3'
    force_n REAL NOT NULL CHECK (force_n > 0),
    press_limit INTEGER NOT NULL DEFAULT 5 CHECK (press_limit > 0),
    valid_days REAL NOT NULL DEFAULT 3,
    made_at TEXT NOT NULL,
    UNIQUE (calibration, label)
) STRICT;
CREATE TABLE anchor_presses (
    press_id INTEGER PRIMARY KEY,
    anchor_id INTEGER NOT NULL REFERENCES anchors,
    at TEXT NOT NULL, force_n REAL CHECK (force_n > 0), by TEXT
) STRICT;
CREATE TABLE anchor_retirements (
    anchor_id INTEGER PRIMARY KEY REFERENCES anchors,
    at TEXT NOT NULL, why TEXT NOT NULL
) STRICT;
CREATE TABLE pad_presses (
    press_id INTEGER PRIMARY KEY,
    pad TEXT NOT NULL, at TEXT NOT NULL, force_n REAL NOT NULL CHECK (force_n > 0)
) STRICT;
CREATE TABLE practice (
    practice_id INTEGER PRIMARY KEY,
    rater TEXT NOT NULL, at TEXT NOT NULL, calibration TEXT NOT NULL,
    anchor TEXT NOT NULL, force_n REAL NOT NULL, score TEXT NOT NULL, off_n REAL NOT NULL
) STRICT;
CREATE TABLE clamshell_counts (
    sample_id INTEGER NOT NULL REFERENCES samples,
    rater TEXT NOT NULL,
    sheet TEXT NOT NULL,             -- JSON {"counts": {...}, "leaky":, "decayed":, "colour": ...}
    at TEXT NOT NULL,
    PRIMARY KEY (sample_id, rater)
) STRICT;
"""

# Every row bears a digest, and what changes a row is a row of the trail (chain.py, tables.py).
_PROOF = """
CREATE TABLE trail (
    trail_id INTEGER PRIMARY KEY,
    at TEXT NOT NULL, who TEXT,
    kind TEXT NOT NULL,              -- 'void', 'undo', 'correct', 'scores', 'adopt' ...
    why TEXT,
    tbl TEXT NOT NULL,
    ids TEXT NOT NULL,               -- JSON list: the rows that were changed
    old TEXT NOT NULL, new TEXT NOT NULL,  -- JSON {column: value}, the same for all those rows
    digest TEXT
) STRICT;
CREATE TABLE digests (               -- the end of each table's chain
    name TEXT PRIMARY KEY, n_rows INTEGER NOT NULL, last TEXT NOT NULL
) STRICT;
CREATE TABLE settings (
    setting_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,       -- 'lab', 'unit', 'protocol', 'calibration', 'columns'
    value TEXT NOT NULL,             -- JSON
    digest TEXT
) STRICT;
CREATE TABLE raters (
    rater_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,              -- the last row of a name counts: two may have been joined
    status TEXT NOT NULL CHECK (status IN ('in training', 'qualified', 'suspended')),
    since TEXT NOT NULL, why TEXT,
    digest TEXT
) STRICT;
CREATE TABLE certificates (
    certificate_id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('gauge', 'weights')),
    name TEXT NOT NULL,              -- serial number of the gauge, name of the set of weights
    number TEXT, issued_on TEXT, due_on TEXT,
    document TEXT NOT NULL DEFAULT '{}',  -- JSON: uncertainty, masses, direction of loading ...
    at TEXT NOT NULL,
    digest TEXT
) STRICT;
ALTER TABLE samples ADD COLUMN out_of_store_h REAL;
ALTER TABLE samples ADD COLUMN hidden INTEGER NOT NULL DEFAULT 0 CHECK (hidden IN (0, 1));
ALTER TABLE sessions ADD COLUMN detector TEXT;           -- version
ALTER TABLE sessions ADD COLUMN detector_settings TEXT;  -- JSON
ALTER TABLE sessions ADD COLUMN format_text TEXT;        -- JSON string: the line format as TOML
ALTER TABLE sessions ADD COLUMN protocol TEXT;           -- JSON, where not the season's
ALTER TABLE berries ADD COLUMN mass_g REAL CHECK (mass_g > 0);
ALTER TABLE berries ADD COLUMN press_only INTEGER CHECK (press_only IN (0, 1));
-- baseline_n is the zero beside the peak; n_lost counts lines lost or unreadable in the press.
ALTER TABLE peaks ADD COLUMN n_lost INTEGER;
ALTER TABLE peaks ADD COLUMN press_order INTEGER CHECK (press_order > 0);
ALTER TABLE scores ADD COLUMN squeeze_order INTEGER CHECK (squeeze_order > 0);
ALTER TABLE scores ADD COLUMN taken_back TEXT;           -- why; it does not count then
ALTER TABLE notes ADD COLUMN taken_back TEXT;
ALTER TABLE anchors ADD COLUMN retired_at TEXT;
ALTER TABLE anchors ADD COLUMN retired_why TEXT;
UPDATE anchors SET retired_at = r.at, retired_why = r.why
    FROM anchor_retirements r WHERE r.anchor_id = anchors.anchor_id;
DROP TABLE anchor_retirements;
ALTER TABLE clamshell_counts RENAME TO clamshell_counts_3;
CREATE TABLE clamshell_counts (
    count_id INTEGER PRIMARY KEY,
    sample_id INTEGER NOT NULL REFERENCES samples,
    rater TEXT NOT NULL,
    sheet TEXT NOT NULL,             -- JSON {"counts": {...}, "leaky":, "decayed":, "colour": ...}
    at TEXT NOT NULL,
    digest TEXT,
    UNIQUE (sample_id, rater, at)
) STRICT;
INSERT INTO clamshell_counts (sample_id, rater, sheet, at)
    SELECT sample_id, rater, sheet, at FROM clamshell_counts_3 ORDER BY rowid;
DROP TABLE clamshell_counts_3;
ALTER TABLE pad_presses ADD COLUMN batch TEXT;
ALTER TABLE pad_presses ADD COLUMN made_on TEXT;
ALTER TABLE pad_presses ADD COLUMN temp_c REAL;
ALTER TABLE anchor_presses ADD COLUMN taken_back TEXT;
DROP VIEW pair;
DROP VIEW berry;
CREATE VIEW berry AS
    SELECT b.berry_id, s.code AS sample, b.number, s.crop, s.selection, s.plot, s.replicate,
           s.harvest_date, s.storage_day, s.storage_temp_c, s.clamshell, s.site, s.lot,
           coalesce(b.fruit_temp_c, s.fruit_temp_c) AS fruit_temp_c, b.size_mm, b.mass_g,
           b.press_only, p.peak_shown AS peak, p.peak_unit AS unit, p.peak_n AS "peak_N",
           p.baseline_n AS "zero_N", p.flags, p.session_id,
           p.sampling_loss_n AS "sampling_loss_N", p.loading_rate_n_s AS "loading_rate_N_s",
           b.at, b.void_why AS void
    FROM berries b JOIN samples s USING (sample_id)
    LEFT JOIN peaks p USING (berry_id);
CREATE VIEW pair AS
    SELECT b.berry_id, b.sample, b.number, c.rater, c.score, c.score_rank, c.occasion,
           c.squeeze_order, b."peak_N" AS "force_N", b.selection, b.lot, b.harvest_date,
           b.storage_day, b.fruit_temp_c, b.size_mm, b.mass_g, b.site, b.session_id, b.flags,
           c.at AS scored_at
    FROM scores c JOIN berry b USING (berry_id)
    WHERE b."peak_N" IS NOT NULL AND b.void IS NULL AND c.taken_back IS NULL;
"""

# Tables of older versions whose rows get a digest; a new table has the column from the start.
_DIGESTS = "".join(
    f"ALTER TABLE {table} ADD COLUMN digest TEXT;\n"
    for table in (
        "season", "samples", "sessions", "chunks", "gaps", "berries", "peaks", "scores",
        "verifications", "checkweights", "notes", "calibrations", "anchors", "anchor_presses",
        "pad_presses", "practice",
    )
)  # fmt: skip

# Migration i takes a file from user_version i to i + 1. Never edit one that was released.
MIGRATIONS: tuple[str, ...] = (_ACQUISITION, _CHECKS, _MANAGEMENT, _PROOF + _DIGESTS)
VERSION = len(MIGRATIONS)


# the one table that bears no digests
CHAIN_ENDS = "digests"
# What a table is called in a file, and the text that made it.
Objects = dict[tuple[str, str], str]


def objects(db: sqlite3.Connection) -> Objects:
    """All tables, indexes, views and triggers of a file, as (kind, name) to SQL.

    Comments and spaces are left out: they say nothing, and ALTER TABLE moves them about.
    """
    rows = db.execute("SELECT type, name, sql FROM sqlite_schema").fetchall()
    return {
        (kind, name): " ".join(re.sub("--[^\n]*", " ", str(sql or "")).split())
        for kind, name, sql in rows
    }


@functools.cache
def known_objects(version: int) -> Objects:
    """What a file of that version holds and nothing else."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        for script in MIGRATIONS[:version]:
            for statement in statements(script):
                db.execute(statement)
        return objects(db)


def tables_with_digests() -> list[str]:
    """Name the tables whose rows bear a digest: all but that of the chains' ends."""
    return [name for kind, name in known_objects(VERSION) if kind == "table" and name != CHAIN_ENDS]


def foreign_object(db: sqlite3.Connection, version: int) -> str | None:
    """Name an object that is not as a file of that version has it; None where all are ours."""
    found, known = objects(db), known_objects(version)
    for kind, name in sorted(found.keys() | known.keys(), key=str):  # rot makes bytes of a text
        if (kind, name) not in known:
            return f"holds {kind} {name!r}, which no season file has"
        if (kind, name) not in found:
            return f"lacks {kind} {name!r}"
        if found[kind, name] != known[kind, name]:
            return f"holds {kind} {name!r}, made another way than a season file's"
    return None


def statements(script: str) -> list[str]:
    """Part a script into its statements, for sqlite3's executescript would commit on its own."""
    found, start = [], 0
    for end, character in enumerate(script, 1):
        if character == ";" and sqlite3.complete_statement(script[start:end]):
            found.append(script[start:end].strip())
            start = end
    return found
