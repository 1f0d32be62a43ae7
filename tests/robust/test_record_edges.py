"""Records on a disk that fails (EIO) or is full, and boards at the edges of what a session allows."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers import IDENTIFY, FakeBench, answer, event, refusal
from helpers_disk import full_disk

from benchctl import events as ev
from benchctl.errors import InternalError, NoAnswer, RecordLost, Refused, UsageError
from benchctl.runs.folder import MANIFEST, RunFolder, verify
from benchctl.runs.history import References
from benchctl.runs.log import LOG, RunLog, read
from benchctl.runs.samples import BulkWriter, read_table, record_type, sync_folder
from benchctl.session.board import Board
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import BY_NAME, Error, Function, PulseKind
from benchctl.wire.fields import Field
from benchctl.wire.messages import Msg

# ---------------------------------------------------------------------- a disk that fails


@pytest.fixture
def failing_disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """failing_disk(): from now on nothing can be brought onto the disk, as one that dies says it."""

    def fails(*_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    return lambda: monkeypatch.setattr(os, "fsync", fails)


def table(stage: str, rows: int, name: str = "packets") -> ev.Samples:
    data = np.arange(rows * 2, dtype=float).reshape(-1, 2)
    return ev.Samples(0.0, stage, name, "timeline", ("at", "sent"), ("s", "packets"), rows, "", data)


def ended(stage: str, t: float = 1.0) -> ev.StageEnded:
    return ev.StageEnded(t, stage, "soak", Verdict.PASS, "", 1.0)


def test_a_stage_end_that_cannot_be_synced_is_told_once(tmp_path: Path, failing_disk) -> None:
    log, heard = RunLog(tmp_path), []
    log.add_reader(heard.append)
    log(ev.Note(0.0, "", "before"))
    failing_disk()

    with pytest.raises(RecordLost, match=r"cannot write .*events\.jsonl: Input/output error"):
        log(ended("one"))
    log(ended("two", 2.0))
    log.close()
    log.close()
    assert log.failure.endswith("Input/output error")
    assert [type(e).__name__ for e in heard] == ["Note", "Note", "StageEnded", "StageEnded"]
    assert "the record ends here" in heard[1].text


def test_closing_on_a_disk_that_fails_says_so_and_lets_go(tmp_path: Path, failing_disk) -> None:
    log = RunLog(tmp_path, clock=lambda: 0.0)
    log(table("one", 5))
    failing_disk()

    with pytest.raises(RecordLost, match="Input/output error"):
        log.close()
    log.close()
    assert len(read_table(tmp_path / "one--packets.npy")) == 5


def test_a_table_that_cannot_be_closed_keeps_no_other_open(tmp_path: Path, failing_disk) -> None:
    """Of two tables the first cannot be brought onto the disk; both are closed, their rows stay readable."""
    log = RunLog(tmp_path, clock=lambda: 0.0)
    log(table("one", 5))
    log(table("one", 7, "pings"))
    writers = list(log._tables.values())
    failing_disk()

    with pytest.raises(RecordLost):
        log(ended("one"))
    assert all(w._file.closed for w in writers)
    log.close()
    assert [len(read_table(tmp_path / f"one--{n}.npy")) for n in ("packets", "pings")] == [5, 7]


def test_after_the_log_was_given_up_tables_are_let_go(tmp_path: Path, failing_disk) -> None:
    log = RunLog(tmp_path, clock=lambda: 0.0)
    log(table("one", 5))
    room = (tmp_path / LOG).stat().st_size + 10
    with pytest.raises(RecordLost, match="File too large"), full_disk(room):
        log(ev.Note(1.0, "", "x" * 200))
    failing_disk()
    log.close()

    assert log.failure.endswith("File too large")
    assert read(tmp_path).missing == "the record stops before the run's end"


def test_samples_without_data_are_told_as_they_are(tmp_path: Path) -> None:
    """As a log read back gives them: nothing is written beside the log."""
    bare = ev.Samples(0.0, "one", "packets", "timeline", ("at",), ("s",), 3, "other.npy", None)
    with RunLog(tmp_path) as log:
        heard: list[ev.Event] = []
        log.add_reader(heard.append)
        log(bare)
        log.remove_reader(heard.append)

    assert heard == [bare]
    assert [p.name for p in tmp_path.iterdir()] == [LOG]


def test_the_folder_is_synced_once_for_what_is_new_in_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The entry of a file is in its folder, which has to be on the disk as well."""
    synced: list[Path] = []
    monkeypatch.setattr("benchctl.runs.log.sync_folder", synced.append)
    with RunLog(tmp_path) as log:
        log(ended("one"))
        assert synced == [tmp_path]
        log(ended("two", 2.0))
        assert synced == [tmp_path]
        log(table("three", 5))
        log(ended("three", 3.0))
        assert synced == [tmp_path] * 2


def test_a_table_gets_onto_the_disk_while_other_things_are_told(tmp_path: Path, monkeypatch) -> None:
    """A second after its last rows at the latest, whatever comes then."""
    now, synced, fsync = [0.0], [], os.fsync
    with RunLog(tmp_path, clock=lambda: now[0]) as log:
        log(table("one", 5))
        monkeypatch.setattr(os, "fsync", lambda fd: synced.append(fd) or fsync(fd))
        log(ev.Note(0.5, "", "soon"))
        assert synced == []
        now[0] = 1.1
        log(ev.Note(1.1, "", "later"))
        assert len(synced) == 1
        log(ev.Note(1.2, "", "nothing new"))
        assert len(synced) == 1


def test_tables_of_one_name_are_counted(tmp_path: Path) -> None:
    """Other columns under the same name are another table, and another file."""
    with RunLog(tmp_path) as log:
        for columns in (("at", "sent"), ("at", "lost"), ("at", "late")):
            log(replace(table("one", 2), columns=columns))

    assert sorted(p.name for p in tmp_path.glob("*.npy")) == [
        "one--packets-2.npy", "one--packets-3.npy", "one--packets.npy",
    ]  # fmt: skip


@pytest.mark.parametrize("columns", [("", "sent"), ("at", "at")])
def test_columns_whose_names_are_no_names_are_numbered(tmp_path: Path, columns: tuple[str, str]) -> None:
    with RunLog(tmp_path) as log:
        log(replace(table("one", 2), columns=columns))

    assert np.load(tmp_path / "one--packets.npy").dtype.names == ("c0", "c1")


def test_records_of_another_type_are_our_own_mistake(tmp_path: Path) -> None:
    kind = record_type(("a",), np.ones((3, 1)))
    writer = BulkWriter(tmp_path / "x.npy", kind)
    writer.append(np.zeros(0, kind))
    with pytest.raises(TypeError, match="records are of type"):
        writer.append(np.zeros(3, np.dtype([("b", "<f8")])))
    assert writer.append_table(np.ones((2, 2))) == 0
    writer.close()

    assert len(read_table(tmp_path / "x.npy")) == 0


def test_a_folder_that_cannot_be_brought_onto_the_disk(tmp_path: Path, failing_disk) -> None:
    with pytest.raises(RecordLost, match=r"cannot write .*none: No such file"):
        sync_folder(tmp_path / "none")
    failing_disk()
    with pytest.raises(RecordLost, match="Input/output error"):
        sync_folder(tmp_path)


def test_a_disk_is_not_asked_for_what_it_has(tmp_path: Path, failing_disk) -> None:
    """Nothing new in the table: nothing is synced, and nothing can fail."""
    writer = BulkWriter(tmp_path / "x.npy", record_type(("a",), np.ones((1, 1))))
    writer.append_table(np.ones((4, 1)))
    failing_disk()
    writer.sync()
    assert writer.append_table(np.ones((0, 1))) == 0
    with pytest.raises(RecordLost):
        writer.append_table(np.ones((1, 1)))
    with pytest.raises(RecordLost):
        writer.close()


def test_a_table_without_rows_is_a_table(tmp_path: Path) -> None:
    """Nothing was seen is a result too."""
    heard: list[ev.Event] = []
    with RunLog(tmp_path) as log:
        log.add_reader(heard.append)
        log(table("one", 0))

    assert [(e.file, e.rows) for e in heard] == [("one--packets.npy", 0)]  # type: ignore[attr-defined]
    assert np.load(tmp_path / "one--packets.npy").shape == (0,)


@pytest.mark.parametrize("which", ["log", "table"])
def test_closing_tells_of_either_that_cannot_be_brought_onto_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    log, fsync = RunLog(tmp_path, clock=lambda: 0.0), os.fsync
    log(table("one", 5))
    bad = log._file if which == "log" else next(iter(log._tables.values()))._file

    def fails(fd: int) -> None:
        if not bad.closed and fd == bad.fileno():
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        fsync(fd)

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(RecordLost, match="Input/output error"):
        log.close()


def test_a_long_name_is_cut(tmp_path: Path) -> None:
    """File systems that encrypt names leave room for 140 bytes; the count and the ending come on top."""
    with RunLog(tmp_path) as log:
        log(table("s" * 200, 2))

    assert [p.name for p in tmp_path.glob("*.npy")] == ["s" * 80 + ".npy"]


def test_a_table_that_its_own_types_cannot_hold_is_our_own_mistake(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchctl.runs.log.record_type", lambda columns, rows: record_type(columns, rows[:0]))
    with RunLog(tmp_path) as log, pytest.raises(InternalError, match="the table packets of one does not fit"):
        log(replace(table("one", 2), data=np.full((2, 2), 1e30)))


def test_words_are_kept_as_they_are_written(tmp_path: Path) -> None:
    """The log is for people too, with any pager."""
    with RunLog(tmp_path) as log:
        log(ev.Note(0.0, "", "11 µF or more, 25 °C"))

    assert "11 µF or more, 25 °C" in (tmp_path / LOG).read_text("utf-8")


def test_what_is_no_strict_json_is_never_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Should an event ever be turned into a bare NaN, it is a mistake of ours and not a line others cannot read."""
    with RunLog(tmp_path) as log:
        monkeypatch.setattr("benchctl.runs.log.to_json", lambda event: {"t": float("nan")})
        with pytest.raises(ValueError, match="not JSON compliant"):
            log(ev.Note(0.0, "", "x"))

    assert (tmp_path / LOG).read_bytes() == b""


def test_a_log_that_cannot_be_read_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / LOG).mkdir()

    with pytest.raises(UsageError, match=r"events\.jsonl cannot be read: "):
        read(tmp_path)


def test_a_log_in_no_folder(tmp_path: Path) -> None:
    with pytest.raises(RecordLost, match=r"cannot write .*No such file or directory"):
        RunLog(tmp_path / "nosuch")


def test_a_table_with_no_room_for_its_head(tmp_path: Path) -> None:
    with pytest.raises(RecordLost, match=r"t\.npy: File too large"), full_disk(10):
        BulkWriter(tmp_path / "t.npy", record_type(("at",), np.zeros((1, 1))), None)


def test_a_table_that_meets_the_end_of_the_disk_keeps_its_whole_blocks(tmp_path: Path) -> None:
    block = np.arange(3000.0).reshape(-1, 1)
    kind = record_type(("at",), block)
    writer = BulkWriter(tmp_path / "t.npy", kind, None)
    writer.append_table(block)
    room = (tmp_path / "t.npy").stat().st_size + 1000

    with pytest.raises(RecordLost, match="File too large"), full_disk(room):
        writer.append_table(block)
    assert (tmp_path / "t.npy").stat().st_size % kind.itemsize == 0
    writer.close()
    assert read_table(tmp_path / "t.npy")[:, 0].tolist() == block[:, 0].tolist()


def test_sealing_on_a_disk_that_fails_leaves_no_half_manifest(tmp_path: Path, failing_disk) -> None:
    with RunFolder.create(tmp_path / "run") as folder:
        (folder.path / LOG).write_text("{}\n")
        failing_disk()
        with pytest.raises(RecordLost, match=r"cannot seal .*Input/output error"):
            folder.seal()
    assert not (tmp_path / "run" / MANIFEST).exists()
    with pytest.raises(UsageError, match="is not sealed"):
        verify(tmp_path / "run")


def test_references_that_cannot_be_written(tmp_path: Path) -> None:
    """The file of references is replaced whole or not at all."""
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / LOG).write_text("")
    references = References(tmp_path)
    references.set("mudlark-hand-01", "bring-up", "run")

    with pytest.raises(RecordLost, match="cannot write"), full_disk(20):
        references.set("mudlark-craft-01", "bring-up", "run")
    assert references.all() == {("mudlark-hand-01", "bring-up"): "run"}


# ---------------------------------------------------------------------- sessions


def craft(script: Callable[[Msg], Iterable[bytes]]) -> tuple[Board, FakeBench]:
    bench = FakeBench({Role.CRAFT: script})
    return bench.boards[Role.CRAFT], bench


def test_a_port_that_resets_is_given_quiet_first() -> None:
    board, bench = craft(lambda asked: [answer(asked, **IDENTIFY)])
    times: list[float] = []
    write = bench.ports[Role.CRAFT].write
    bench.ports[Role.CRAFT].write = lambda data: times.append(bench.now()) or write(data)
    board.open(quiet_s=1.5)

    assert times[0] == pytest.approx(1.5)
    began = bench.now()
    board.open()
    assert times[1] == began


def test_silence_between_good_frames_is_no_other_device() -> None:
    """Frames of ours came, so it is a board of ours that does not answer, not another gadget."""
    board, bench = craft(lambda asked: [event(msg.RadioLost(**{f.name: 0 for f in BY_NAME["radio_lost"].fields}), 0)])

    with pytest.raises(NoAnswer, match="nothing came from the craft board"):
        board.open()
    assert bench.now() >= 3.0


@pytest.mark.parametrize("status", [0, Error.PART])
def test_the_end_of_a_long_request(status: int) -> None:
    """Its own end counts, with its detail; an end with an error is a refusal."""
    board, bench = craft(lambda asked: ())
    for what in ("led", "droop"):
        bench.ports[Role.CRAFT].push(event(msg.Done(what=BY_NAME[what].number, status=status, detail=17), 0))

    if status:
        with pytest.raises(Refused, match=r"gave up “droop”: part \(detail 17\)") as caught:
            board.wait_done(msg.Droop, 1.0)
        assert caught.value.code == "part"
    else:
        assert board.wait_done(msg.Droop, 1.0) == 17


def test_an_end_is_seen_once() -> None:
    board, bench = craft(lambda asked: ())
    bench.ports[Role.CRAFT].push(event(msg.Done(what=BY_NAME["droop"].number, status=0, detail=0), 0))
    bench.wait(0.1)

    assert [board.is_done(msg.Led), board.is_done(msg.Droop)] == [False, False]  # a look at another forgets it
    bench.ports[Role.CRAFT].push(event(msg.Done(what=BY_NAME["droop"].number, status=0, detail=0), 1))
    bench.wait(0.1)
    assert [board.is_done(msg.Droop), board.is_done(msg.Droop)] == [True, False]


def test_forgotten_events_are_gone() -> None:
    board, bench = craft(lambda asked: ())
    bench.ports[Role.CRAFT].push(event(msg.Captured(rows=[(1, 2)]), 0))
    bench.wait(0.1)
    board.forget_events()

    assert board.events(msg.Captured) == []


def test_pins_and_kinds_are_written_and_read_under_their_own_keys() -> None:
    store: dict[int, bytes] = {}

    def keep(asked: Msg) -> Iterable[bytes]:
        if isinstance(asked, msg.SettingWrite):
            store[asked.key] = asked.data
            return [answer(asked)]
        if isinstance(asked, msg.SettingRead):
            return [answer(asked, key=asked.key, data=store[asked.key])]
        return [answer(asked, written=9)] if isinstance(asked, msg.SettingsSave) else [refusal(asked, Error.UNKNOWN)]

    board, bench = craft(keep)
    board.write_pin(Function.LED, 0x34)
    board.write_pulse_kind(2, PulseKind.MOTOR)
    board.write_setting("silence_ms", 50)
    board.write_setting("radio_address", 0xFFFFFFFF)
    board.save_settings()

    assert store == {64: b"\x34", 97: b"\x02", 11: b"\x32\x00", 10: b"\xff" * 4}
    assert board.read_pin(Function.LED) == 0x34
    assert board.read_pulse_kind(2) == PulseKind.MOTOR
    assert board.read_setting("silence_ms") == 50
    assert board.read_setting("radio_address") == 0xFFFFFFFF
    assert [m.NAME for m in bench.ports[Role.CRAFT].asked][4] == "settings_save"
    board.write_pin(Function.RADIO_MISO, 0x14)
    assert (store[90], board.read_pin(Function.RADIO_MISO)) == (b"\x14", 0x14)
    with pytest.raises(ValueError, match="is not between 50 and 5000"):
        board.write_setting("silence_ms", 5001)


def test_a_restart_on_request_gives_its_boot_message() -> None:
    def restarts(asked: Msg) -> Iterable[bytes]:
        boot = {f.name: 0 for f in BY_NAME["boot"].fields}
        return [answer(asked), event(msg.Boot(**{**boot, "label": "x", "cause": 5}), 0)]

    board, _ = craft(restarts)

    assert board.restart().cause == 5
    assert board.restarts == 1
    assert board.expects_restart is False


def test_a_jumper_joins_both_ways() -> None:
    wired = OwnerWiring(wires=(("craft.led", "hand.loop_back"),))

    assert wired.wired("craft.led", "hand.loop_back")
    assert wired.wired("hand.loop_back", "craft.led")
    assert not wired.wired("craft.led", "hand.capture")


def test_a_field_of_an_unknown_type_is_our_own_mistake() -> None:
    with pytest.raises(ValueError, match="field x: unknown type 'u7'"):
        Field("x", "u7")
