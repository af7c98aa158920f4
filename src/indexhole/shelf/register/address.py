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
class ShelfAddress:
    """Where a shelf is: the folder of its files, and the register's address when that is a PostgreSQL database."""

    folder: Path
    address: str = ""

    @property
    def label(self) -> str:
        """The address for messages; a password in an address is not shown."""
        if not self.address:
            return str(self.folder)
        from sqlalchemy.engine import make_url

        return make_url(self.address).render_as_string(hide_password=True)


def default_folder() -> Path:
    """Where the shelf is unless another is named: INDEXHOLE_SHELF, else the user's data folder."""
    named = os.environ.get("INDEXHOLE_SHELF")
    return Path(named) if named else _data_folder()


def _data_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("indexhole", appauthor=False) / "shelf"


def shelf_address(named: Path | str | None) -> ShelfAddress:
    """Where a folder or an address leads; None for the default one.

    Files of a shared register stand in the folder the address names as `files`, else in the user's data folder.
    Raises InputFault for an address that cannot be read.
    """
    text = str(default_folder() if named is None else named)
    scheme = next((scheme for scheme in _SCHEMES if text.startswith(scheme)), None)
    if scheme is None:
        return ShelfAddress(Path(text))
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
    return ShelfAddress(Path(files) if files else _data_folder(), address)
