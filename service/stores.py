"""Opens the two things that all processes of a service share: the records and the files."""

from __future__ import annotations

from service.files import Files
from service.s3_objects import open_objects
from service.scratch import Scratch
from service.settings import Settings
from service.store.database import Database


def open_stores(settings: Settings) -> tuple[Database, Files]:
    """The records in their newest form, and the files.

    Raises
    ------
    UnreachableError
        If one can't be used, or is of another version; the message says why.
    """
    scratch = Scratch(settings.data_folder.absolute() / "scratch")
    files = Files(settings.data_folder, scratch, open_objects(settings, scratch.new_path))
    database = Database(settings.records_url())
    try:
        database.migrate()
    except BaseException:
        database.close()
        raise
    return database, files
