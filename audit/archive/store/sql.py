"""Questions in SQL over an archive's rows, by DuckDB: tables nights, logs, pulls, findings, notes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audit.errors import ArchiveError, UsageError

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.store import Archive

VIEWS = {"nights": "night", "logs": "log", "pulls": "pull", "findings": "finding", "notes": "note"}


def ask(archive: Archive, query: str) -> pl.DataFrame:
    """The answer to a query. Each night counts as last screened.

    Raises UsageError when DuckDB is not installed or does not understand the query.
    """
    import polars as pl

    try:
        import duckdb
    except ModuleNotFoundError:
        raise UsageError("--sql needs DuckDB: pip install duckdb.") from None
    archive.nights(columns=["night_id"])  # tells when there is no archive
    with duckdb.connect(":memory:") as db:
        for name, kind in VIEWS.items():
            _view(db, archive, name, kind)
        try:
            answer = db.execute(query)
            names = [column[0] for column in answer.description or []]
            return pl.DataFrame(
                answer.fetchall(), schema=names, orient="row", infer_schema_length=None
            )
        except duckdb.Error as error:
            raise UsageError(
                f"--sql: {str(error).splitlines()[0]}. Tables: {', '.join(VIEWS)}."
            ) from None


def _view(db: object, archive: Archive, name: str, kind: str) -> None:
    """A view on the Parquet files of one kind; only the newest revision of each night."""
    from audit.archive.store import tables

    files = tables.files_of(archive.places, kind)
    if not files:
        return
    known = archive_columns(archive)
    columns = ", ".join(f'"{c}"' for c in tables.columns_of(kind, known))
    nights = tables.files_of(archive.places, "night")
    newest = ""
    if kind != "note":
        newest = f" where (night_id, revision) in (select (night_id, max(revision)) from {_parquet(nights)} group by night_id)"  # noqa: S608 - our own file names
    db.execute(f"create view {name} as select {columns} from {_parquet(files)}{newest}")  # type: ignore[attr-defined] # noqa: S608


def _parquet(files: list[str]) -> str:
    listed = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
    return f"read_parquet([{listed}], union_by_name = true, hive_partitioning = false)"


def archive_columns(archive: Archive) -> list[str]:
    """The columns that the tables have now. Raises ArchiveError when they cannot be read."""
    from audit.archive.store import tables

    table = tables.open_table(archive.places)
    found = [field.name for field in table.schema().fields]
    if not found:
        raise ArchiveError(f"{archive.places.tables}: the tables have no columns.")
    return found
