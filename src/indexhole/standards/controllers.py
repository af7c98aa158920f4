"""Controllers: the codes, rates and habits of what stands between a host and its drives, as data with sources."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from pydantic import Field, model_validator

from indexhole.codes.code import CodeName
from indexhole.standards.figures import Figure, Strict
from indexhole.standards.rows import parse_rows


class Controller(Strict):
    """One kind of controller; see controllers.toml for the words."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    title: str
    codes: tuple[CodeName, ...] = Field(min_length=1)
    cells_us: dict[CodeName, tuple[float, ...]]
    sector_bytes: tuple[int, ...] = Field(min_length=1)
    gap_2: dict[CodeName, Figure]
    uses_index: bool
    search_pulses: Figure | None = None
    probes_sides: bool = False
    double_step: bool
    density_line: bool

    @model_validator(mode="after")
    def _whole(self) -> Controller:
        for code in self.codes:
            if not self.cells_us.get(code) or code not in self.gap_2:
                raise ValueError(f"cells_us and gap_2 must be given for {code}")
        if self.uses_index and self.search_pulses is None:
            raise ValueError("search_pulses must be given where the index is used")
        return self


def parse_controllers(text: str, where: str) -> dict[str, Controller]:
    """Read a file of controllers from TOML text. Raises InputFault that names the place and the fault."""
    return parse_rows(text, "controller", Controller, where)


@cache
def _library() -> dict[str, Controller]:
    entry = files("indexhole.standards") / "controllers.toml"
    return parse_controllers(entry.read_text(encoding="utf-8"), entry.name)


def load_controllers() -> dict[str, Controller]:
    """All controllers by id."""
    return dict(_library())
