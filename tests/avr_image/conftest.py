"""The shipped image in the simulator; skipped with the reason where the tools are missing."""


import pytest
from image_pair import Pair
from needs import need_program


@pytest.fixture(scope="session")
def avr_gcc():
    need_program("avr-g++")


@pytest.fixture
def pair():
    made = Pair()
    yield made
    made.bench.close()
