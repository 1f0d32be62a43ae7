"""The shipped image in the simulator; skipped with the reason where the tools are missing."""

import shutil

import pytest
from image_pair import Pair
from needs import need


@pytest.fixture(scope="session")
def avr_gcc():
    need(None if shutil.which("avr-g++") else "needs avr-g++")


@pytest.fixture
def pair():
    made = Pair()
    yield made
    made.bench.close()
