"""Where a shelf is: a folder with its register inside, or the address of a PostgreSQL database and a folder for files.

/home/anna/shelf
postgresql://anna@museum.example/shelf?files=/srv/shelf
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from indexhole.errors import InputFault

_SCHEMES = ("postgresql:", "postgres:")


@dataclass(frozen=True, slots=True)
class Place:
    """A shelf's place: the folder of its files, and the register's address when that is a PostgreSQL database."""

    folder: Path
    address: str = ""

    @property
    def told(self) -> str:
        """The place for messages; a password in an address is not shown."""
        if not self.address:
            return str(self.folder)
        from sqlalchemy.engine import make_url

        return make_url(self.address).render_as_string(hide_password=True)


def default_folder() -> Path:
    """Where the shelf is kept unless told otherwise: INDEXHOLE_SHELF, else the user's data folder."""
    named = os.environ.get("INDEXHOLE_SHELF")
    return Path(named) if named else _data_folder()


def _data_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("indexhole", appauthor=False) / "shelf"


def place_of(named: Path | str | None) -> Place:
    """The place a folder or an address names; None for the default one.

    Files of a shared register are kept in the folder the address names as `files`, else in the user's data folder.
    Raises InputFault for an address that cannot be read.
    """
    text = str(default_folder() if named is None else named)
    scheme = next((scheme for scheme in _SCHEMES if text.startswith(scheme)), None)
    if scheme is None:
        return Place(Path(text))
    from sqlalchemy.engine import make_url
    from sqlalchemy.exc import ArgumentError

    # a path folds the two slashes of an address into one
    whole = f"postgresql+psycopg://{text.removeprefix(scheme).lstrip('/')}"
    try:
        url = make_url(whole)
        files = url.query.get("files")
        address = url.difference_update_query(["files"]).render_as_string(hide_password=False)
    except (ArgumentError, ValueError) as fault:
        raise InputFault(
            "the address of the register cannot be read",
            remedy="write it as postgresql://USER@HOST/DATABASE?files=FOLDER",
        ) from fault
    if not url.database or not (files is None or isinstance(files, str)):
        raise InputFault(
            "the address of the register names no database, or two folders of files",
            remedy="write it as postgresql://USER@HOST/DATABASE?files=FOLDER",
        )
    return Place(Path(files) if files else _data_folder(), address)
