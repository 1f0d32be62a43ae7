"""Tables on disk: small, lossless, readable when torn."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from benchctl.errors import RecordLost, UsageError
from benchctl.runs.samples import BulkWriter, joined, kept, narrow, read_records, read_table, record_type, records

TABLES = hnp.arrays(np.float64, hnp.array_shapes(min_dims=2, max_dims=2, max_side=6), elements=st.floats())
WHOLE = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=2, max_dims=2, max_side=6),
    elements=st.integers(-(2**53), 2**53).map(float) | st.integers(-300, 300).map(float),
)


def names(table: np.ndarray) -> list[str]:
    return [f"c{i}" for i in range(table.shape[1])]


def same_bits(a: np.ndarray, b: np.ndarray) -> bool:
    """Equal values, equal signs of zero, NaN where NaN was."""
    return np.array_equal(a, b, equal_nan=True) and np.array_equal(np.signbit(a[a == 0]), np.signbit(b[b == 0]))


@given(TABLES | WHOLE)
def test_the_small_types_lose_nothing(table: np.ndarray) -> None:
    kind = record_type(names(table), table)
    back = records(table, kind)
    again = np.column_stack([back[n].astype(np.float64) for n in kind.names or ()])

    assert same_bits(table, again)


@given(WHOLE, WHOLE)
def test_a_joined_type_holds_both(a: np.ndarray, b: np.ndarray) -> None:
    width = min(a.shape[1], b.shape[1])
    a, b = a[:, :width], b[:, :width]
    kinds = [record_type(names(t), t) for t in (a, b)]
    both = joined(*kinds)

    for t in (a, b):
        back = kept(t, both)
        assert back is not None
        assert same_bits(t, np.column_stack([back[n].astype(np.float64) for n in both.names or ()]))


@given(TABLES | WHOLE, TABLES | WHOLE)
def test_a_table_is_kept_only_where_it_comes_back_bit_for_bit(a: np.ndarray, b: np.ndarray) -> None:
    """The quick check at every append against the plain comparison."""
    kind = record_type(names(a), a)
    back = kept(b, kind)
    if back is not None:
        assert same_bits(b, np.column_stack([back[n].astype(np.float64) for n in kind.names or ()]))
    assert kept(a, kind) is not None


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ([], "u1"),
        ([0, 1], "u1"),
        ([0, 255], "u1"),
        ([0, 256], "<u2"),
        ([-1, 127], "i1"),
        ([-1, 128], "<i2"),
        ([0, 2**32 - 1], "<u4"),
        ([0, 2**32], "<u8"),
        ([2.0**60], "<f4"),
        ([2.0**53 + 2], "<f8"),
        ([0.5, float("nan")], "<f4"),
        ([0.1], "<f8"),
        ([-0.0, 1.0], "<f4"),
        ([float("inf")], "<f4"),
        ([1e300], "<f8"),
    ],
)
def test_the_smallest_type_that_does(values: list[float], kind: str) -> None:
    assert narrow(np.array(values, np.float64)) == kind


def write(path: Path, table: np.ndarray, chunk: int = 7) -> np.dtype:
    kind = record_type(names(table), table)
    writer = BulkWriter(path, kind)
    for start in range(0, len(table), chunk):
        writer.append_table(table[start : start + chunk])
    writer.close()
    return kind


def test_numpy_itself_reads_the_file(tmp_path: Path) -> None:
    """The format is numpy's own (NEP 1): its loader is the independent reader here."""
    table = np.random.default_rng(1).integers(0, 1000, (50, 3)).astype(float)
    write(tmp_path / "t.npy", table)
    found = np.load(tmp_path / "t.npy", allow_pickle=False)

    assert found.shape == (50,)
    assert same_bits(table, np.column_stack([found[n] for n in found.dtype.names]).astype(np.float64))


def test_torn_at_every_byte_it_gives_its_whole_rows(tmp_path: Path) -> None:
    table = np.arange(60.0).reshape(20, 3) * 100
    kind = write(tmp_path / "t.npy", table)
    data = (tmp_path / "t.npy").read_bytes()
    start = len(data) - 20 * kind.itemsize
    torn = tmp_path / "torn.npy"
    for length in range(len(data) + 1):
        torn.write_bytes(data[:length])
        if length < start:
            with pytest.raises(UsageError, match=r"torn\.npy: is no table of records"):
                read_table(torn)
        else:
            np.testing.assert_array_equal(read_table(torn), table[: (length - start) // kind.itemsize])


def test_rows_are_readable_while_the_file_is_still_open(tmp_path: Path) -> None:
    """As a process that was killed leaves it: the header still says no rows."""
    table = np.arange(10.0).reshape(5, 2)
    writer = BulkWriter(tmp_path / "t.npy", record_type(["a", "b"], table))
    writer.append_table(table)

    assert len(read_records(tmp_path / "t.npy")) == 5
    assert len(read_records(tmp_path / "t.npy", 3)) == 3
    writer.close()
    writer.close()


def test_bulk_is_on_disk_at_least_every_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now, synced, real = 0.0, [], os.fsync

    def counting(number: int) -> None:
        real(number)
        synced.append(now)

    monkeypatch.setattr(os, "fsync", counting)
    kind = np.dtype([("a", "<u4")])
    writer = BulkWriter(tmp_path / "t.npy", kind, lambda: now)
    while now < 10:
        now += 0.125
        writer.append(np.zeros(100, kind))
    gaps = np.diff([0.0, *synced])

    assert gaps.max() <= 1.0
    assert len(synced) == 10
    writer.close()


def test_without_a_clock_every_append_is_on_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    monkeypatch.setattr(os, "fsync", calls.append)
    kind = np.dtype([("a", "<u4")])
    writer = BulkWriter(tmp_path / "t.npy", kind)
    for _ in range(3):
        writer.append(np.zeros(1, kind))

    assert len(calls) == 3
    writer.close()


def test_records_of_another_type_are_our_own_mistake(tmp_path: Path) -> None:
    writer = BulkWriter(tmp_path / "t.npy", np.dtype([("a", "<u4")]))
    with pytest.raises(TypeError, match="records are of type"):
        writer.append(np.zeros(1, [("a", "<u2")]))
    writer.close()


def test_a_file_that_exists_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "t.npy").write_text("mine")
    with pytest.raises(RecordLost, match="File exists"):
        BulkWriter(tmp_path / "t.npy", np.dtype([("a", "<u4")]))

    assert (tmp_path / "t.npy").read_text() == "mine"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x93NUMPY\x01\x00",
        b"\x93NUMPY\x01\x00\x10\x00{'descr': '<f8'}\n",
        b"\x93NUMPY\x09\x00",
        b"GIF89a",
        b"\x93NUMPY\x01\x00\xff\xff",
    ],
)
def test_other_files_are_refused_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "t.npy").write_bytes(content)
    with pytest.raises(UsageError, match=r"t\.npy: is no table of records"):
        read_records(tmp_path / "t.npy")


@given(st.binary(max_size=200))
def test_any_bytes_are_a_table_or_one_sentence(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.npy"
    for head in (b"", b"\x93NUMPY\x01\x00"):
        path.write_bytes(head + content)
        told = str(path)
        try:
            read_table(path)
        except UsageError as e:
            told = str(e)

        assert str(path) in told


def test_plain_arrays_and_pickles_are_no_records(tmp_path: Path) -> None:
    np.save(tmp_path / "plain.npy", np.arange(3))
    np.save(tmp_path / "objects.npy", np.array([{}], dtype=object))
    for name in ("plain.npy", "objects.npy"):
        with pytest.raises(UsageError, match="is no table of records"):
            read_records(tmp_path / name)
