"""The job file: one SQLite file a job, and a journal in memory for rehearsals."""
