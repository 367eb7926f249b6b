"""The season file: one SQLite file that holds a season. The one room that imports sqlite3.

In: berries, sessions, scores, plans, checks, calibrations and anchors to keep.
Out: the same, checked, as records; nothing is ever deleted.

`schema` holds the SQL and the migrations, `guard` the connection and its errors, `file` opens and
upgrades; `bench`, `scores`, `berries` and `desk` write and read one noun after another, as the
records of `rows`.
"""

from gauge.season.file import SeasonFile, open_season

__all__ = ["SeasonFile", "open_season"]
