"""Tables of the job file and their numbered migrations."""

APPLICATION_ID = 0x444E4654
"""Marks a SQLite file as a job file (``DNFT``)."""

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
    CREATE TABLE records (
        sequence INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        digest TEXT NOT NULL,
        data BLOB NOT NULL,
        made_at TEXT NOT NULL
    ) STRICT;
    CREATE TABLE backups (sha256 TEXT PRIMARY KEY, data BLOB NOT NULL) STRICT;
    CREATE TABLE runs (
        run INTEGER PRIMARY KEY,
        stage TEXT NOT NULL,
        context TEXT NOT NULL,
        begun_at TEXT NOT NULL,
        ended_at TEXT
    ) STRICT;
    CREATE TABLE entries (
        sequence INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES runs (run),
        kind TEXT NOT NULL CHECK (kind IN ('intent', 'outcome', 'cut')),
        strand TEXT NOT NULL,
        number INTEGER NOT NULL,
        binding INTEGER NOT NULL,
        digest TEXT NOT NULL,
        what TEXT NOT NULL,
        outcome TEXT,
        at TEXT NOT NULL
    ) STRICT;
    CREATE INDEX entries_by_run ON entries (run, sequence);
    """,
)
"""Migration ``n`` (from 0) brings a file from ``user_version`` n to n + 1."""
