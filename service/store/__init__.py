"""The database: the only place where SQL is written."""
