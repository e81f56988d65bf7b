"""The registry on SQLAlchemy Core: SQLite in the data folder, PostgreSQL by address."""
