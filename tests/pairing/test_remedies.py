"""What to do about a fault: a code that the command line and the page each word by themselves."""

from __future__ import annotations

import re

import pytest

from indexhole.errors import Do, InputFault, Way
from indexhole.web.forms.faults import fault_and_remedy, here, remedy_here

OPTION = re.compile(r"--[a-z]|`indexhole")


def test_the_command_line_names_its_options() -> None:
    fault = InputFault("the file is cut short", where="a.vcd", remedy=("copy it again", Do.READ_CUT))
    assert fault.line == "a.vcd: the file is cut short; copy it again, or read what is there with --allow-cut"
    assert InputFault("no such line", remedy=Way(Do.NAME_LINE, "index")).remedy == "name it with --line index=NAME"


@pytest.mark.parametrize("do", list(Do))
def test_the_page_never_names_an_option_it_does_not_have(do: Do) -> None:
    assert not OPTION.search(here(do))
    for remedy in (do, (do, "copy it again"), ("copy it again", do)):
        told = remedy_here(InputFault("x", remedy=remedy))
        assert told
        assert not OPTION.search(told)


def test_the_page_leaves_out_what_it_does_not_offer() -> None:
    fault = InputFault("the file is cut short", where="a.vcd", remedy=("copy it again", Do.READ_CUT))
    assert fault_and_remedy(fault) == "a.vcd: the file is cut short. Copy it again."
    only = InputFault("an array does not say how fast it was sampled", remedy=Do.GIVE_RATE)
    assert fault_and_remedy(only).endswith("The command line can do more about it.")
    assert fault_and_remedy(InputFault("no")) == "No."
