"""The season file: one SQLite file that holds a season. The only room that imports sqlite3.

`schema` holds the SQL and the migrations, `guard` the connection and its errors, `file` opens and
upgrades; `bench`, `scores`, `berries` and `desk` write and read one noun after another, as the
records of `rows`. `claims` keeps two of our own loggers off one sample or port.
"""

from gauge.season.claims import claim_port, claim_sample
from gauge.season.file import SeasonFile, open_season

__all__ = ["SeasonFile", "claim_port", "claim_sample", "open_season"]
