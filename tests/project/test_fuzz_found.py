"""Inputs that the fuzzer keeps and those that once failed: each is taken, or refused in the program's own words."""

from __future__ import annotations

import pytest
from fuzz.target import tried
from fuzz.targets import CORPUS, FOUND, TARGETS

MOST_FILES, MOST_BYTES = 40, 4096


def inputs(name: str) -> list[bytes]:
    """What is kept for a target, and what once failed it."""
    folders = (CORPUS / name, FOUND / name)
    return [path.read_bytes() for folder in folders if folder.is_dir() for path in sorted(folder.iterdir())]


@pytest.mark.parametrize("name", TARGETS)
def test_every_input_is_taken_or_refused(name):
    taken = [tried(TARGETS[name], data) for data in inputs(name)]
    assert any(taken), "no input of the corpus is sound: it would show no fault behind the first refusal"


@pytest.mark.parametrize("name", TARGETS)
def test_a_corpus_stays_small(name):
    sizes = [path.stat().st_size for path in (CORPUS / name).iterdir()]
    assert len(sizes) <= MOST_FILES
    assert max(sizes) <= MOST_BYTES


def test_every_folder_belongs_to_a_target():
    folders = [path.name for folder in (CORPUS, FOUND) if folder.is_dir() for path in folder.iterdir()]
    assert set(folders) <= set(TARGETS)
