"""The records: the only place that speaks SQL.

`database` opens it, `models` says what a row is, and one module for each noun reads and writes.
Every function takes the session of a `Database.read()` or `Database.write()` block.
"""
