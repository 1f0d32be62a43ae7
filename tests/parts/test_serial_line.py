"""The cable: what is lost, changed and made up is as much as the bench file says, and nothing on a good cable."""

from __future__ import annotations

import math
import random

import pytest

from benchctl.benchfile import SerialSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.serial_line import PACKET_BYTES, SerialLine


def made(spec: SerialSpec) -> tuple[SerialLine, Agenda, list[tuple[float, bytes]], list[bytes]]:
    agenda, up, down = Agenda(), [], []
    line = SerialLine(
        spec, agenda, random.Random(1), lambda data, time: up.append((time, data)), lambda data, time: down.append(data)
    )
    return line, agenda, up, down


def test_good_cable_changes_nothing() -> None:
    """Every byte arrives, in order, both ways."""
    line, agenda, up, down = made(SerialSpec())
    data = bytes(range(256)) * 4
    for start in range(0, len(data), 7):
        line.from_board(data[start : start + 7], agenda.now)
        line.from_host(data[start : start + 7], agenda.now)
        agenda.run_to(agenda.now + 1e-4)
    agenda.run_to(1.0)

    assert b"".join(piece for _, piece in up) == data
    assert b"".join(down) == data


def test_latency_timer_holds_small_packets_back() -> None:
    """A few bytes wait for the timer; a full packet goes at once."""
    line, agenda, up, _ = made(SerialSpec(latency_ms=16.0))
    agenda.run_to(1.0)
    line.from_board(b"abc", 1.0)
    agenda.run_to(2.0)
    line.from_board(bytes(PACKET_BYTES), 2.0)

    assert up[0] == (pytest.approx(1.016), b"abc")
    assert up[1][0] == 2.0


def test_faults_have_their_rates() -> None:
    """Counts of drops and flips are within four standard deviations of the binomial's mean."""
    line, agenda, up, _ = made(SerialSpec(drop_per_million=20_000, flip_per_million=10_000))
    sent = 50_000
    line.from_board(bytes(sent), 0.0)
    agenda.run_to(1.0)
    got = b"".join(piece for _, piece in up)

    for count, rate in ((sent - len(got), 0.02), (sum(1 for b in got if b), 0.01)):
        assert abs(count - sent * rate) < 4 * math.sqrt(sent * rate)
    assert all(b.bit_count() <= 1 for b in got)


def test_noise_comes_by_itself() -> None:
    """100 bytes a second out of nowhere, Poisson: within four standard deviations over 20 s."""
    _, agenda, up, _ = made(SerialSpec(noise_bytes_per_s=100.0))
    agenda.run_to(20.0)

    assert abs(sum(len(piece) for _, piece in up) - 2000) < 4 * math.sqrt(2000)
