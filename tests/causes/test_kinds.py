"""Every kind of fault is whole: a hypothesis can name it, and a kind added to the words alone is refused."""

from __future__ import annotations

import pytest

from indexhole.causes.faults.hypotheses import KINDS, SUPPOSED, possible_faults
from indexhole.kinds import HalfMadeKind, every


def test_every_kind_that_may_be_supposed_is_among_the_possible_faults() -> None:
    found = possible_faults(["D1.0"], ["C1"], ["K1"], ["H1"], (0, 1))
    assert {fault.fault for fault in found} == set(SUPPOSED)
    assert {word for word in KINDS if word not in SUPPOSED} == {"off-speed"}


def test_a_kind_of_fault_without_its_entry_is_refused() -> None:
    with pytest.raises(HalfMadeKind, match="missing: gremlin"):
        every((*KINDS, "gremlin"), KINDS)
