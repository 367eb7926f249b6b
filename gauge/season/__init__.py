"""The season file: one SQLite file that holds a season. The only room that imports sqlite3.

`schema` holds the SQL and the migrations, `file` opens and guards, the other modules write and
read one noun each.
"""
