"""A page picture and a place for a store."""

import pytest
from kept_records import PICTURE


@pytest.fixture
def picture():
    return PICTURE


@pytest.fixture
def place(tmp_path):
    return tmp_path / "kept" / "store.sqlite"
