"""Two runs laid over each other: the values behind the readings, as text, page and JUnit."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from helpers_compare import button_run
from test_as_junit import check_schema

from benchctl import events as ev
from benchctl.cli import main
from benchctl.compare import Comparison, compare
from benchctl.report.compared import html, junit, shown_margin
from benchctl.report.overlay import Overlay, overlays
from benchctl.runs.summary import Summary, Table, summarise


def both(one: list[ev.Event], two: list[ev.Event]) -> tuple[Comparison, Summary, list[Overlay]]:
    """Compared, with the tables taken from the events themselves."""

    def loader(events: list[ev.Event]):
        kept = {(e.stage, e.name): e.data for e in events if isinstance(e, ev.Samples)}

        def load(table: Table) -> np.ndarray:
            return kept[table.stage, table.name]

        return load

    reference, new = summarise(one), summarise(two)
    found = compare(reference, new)
    return found, new, overlays(found.rows, (reference, loader(one)), [(new, loader(two))])


@pytest.fixture
def draws() -> np.random.Generator:
    return np.random.default_rng(1)


def test_a_reading_has_the_values_it_was_made_of(draws: np.random.Generator) -> None:
    """latency_p50 is of the column "total", the whole latency; missed is counted and has none."""
    one, two = draws.normal(5000, 50, 400), draws.normal(5400, 50, 100)
    _, _, found = both(button_run(one), button_run(two))

    assert [(o.readings, o.unit) for o in found] == [(("latency_p50",), "us")]
    assert np.array_equal(found[0].reference, one)
    assert np.array_equal(found[0].new, two)


def test_both_histograms_are_to_one_scale(draws: np.random.Generator) -> None:
    """Shares, so that n does not matter; the later one lies to the right; both n are told; it fits the width."""
    _, _, (o,) = both(button_run(draws.normal(5000, 50, 400)), button_run(draws.normal(5400, 50, 100)))
    one, two = o.shares(40)

    assert one.sum() == pytest.approx(1.0)
    assert two.sum() == pytest.approx(1.0)
    assert one.argmax() < 20 < two.argmax()
    lines = o.lines(70)
    assert lines[0].startswith("reference n 400 ")
    assert lines[1].startswith("new n 100 ")
    assert max(map(len, lines)) <= 70
    left, right = (line[16:].index("█") if "█" in line[16:] else 99 for line in lines[:2])
    assert min(left, right) < 60


def test_values_all_alike_are_drawn_too() -> None:
    _, _, (o,) = both(button_run(np.full(50, 5000.0)), button_run(np.full(50, 5000.0)))

    assert o.lines(60)[0].count("█") == 1


def test_the_page_holds_every_reading_and_plot(draws: np.random.Generator) -> None:
    """Parsed as XML after the doctype: nothing unescaped, nothing loaded from elsewhere."""
    found, _, laid = both(button_run(draws.normal(5000, 50, 400)), button_run(draws.normal(5400, 50, 400)))
    page = html(found, laid)

    assert page.count("<svg") == 1
    assert "n 400" in page
    assert "latency p50" in page
    assert "✗ worse" in page
    assert "http://" not in page.replace("http://www.w3.org/", "").replace("http://purl.org", "")


def test_junit_has_a_failure_for_what_is_worse(draws: np.random.Generator) -> None:
    """By the schema; one case a reading."""
    found, new, _ = both(button_run(draws.normal(5000, 50, 400)), button_run(draws.normal(5400, 50, 400)))
    root = check_schema(junit(found, new))
    cases = {c.get("name"): c for c in root.iter("testcase")}

    assert set(cases) == {"latency_p50", "missed"}
    told = cases["latency_p50"].find("failure")
    assert told is not None
    assert "margin 100 µs" in told.get("message", "")
    assert cases["missed"].find("failure") is None


def test_nothing_worse_is_no_failure(draws: np.random.Generator) -> None:
    found, new, _ = both(button_run(draws.normal(5000, 50, 400)), button_run(draws.normal(5001, 50, 400)))
    suite = ET.fromstring(junit(found, new))[0]

    assert (suite.get("failures"), suite.get("errors")) == ("0", "0")


def test_the_margin_of_a_share_is_told_in_per_cent(draws: np.random.Generator) -> None:
    """Also where nothing was missed at all."""
    found, _, _ = both(button_run(draws.normal(5000, 50, 400)), button_run(draws.normal(5000, 50, 400)))

    assert [shown_margin(r) for r in found.rows] == pytest.approx([100.0, 3.0])


def test_other_images_are_reported(draws: np.random.Generator) -> None:
    values = draws.normal(5000, 50, 400)
    before, now = ({"craft": {"file": "craft.elf", "sha256": c * 64}} for c in "ab")
    found, _, _ = both(button_run(values, images=before), button_run(values, images=now))

    assert found.differences == (
        "the craft board's image was craft.elf aaaaaaaaaaaa, now it is craft.elf bbbbbbbbbbbb",
    )


def test_by_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two real records on disk: text with both distributions, a page, JUnit, and the exit code of the comparison."""
    root, few = str(tmp_path), tmp_path / "few.toml"
    few.write_text('name = "few"\n[[stage]]\nkind = "button_to_led"\n[stage.parameters]\npresses = 40\n', "utf-8")
    for seed in ("3", "4"):
        assert main(["run", str(few), "--seed", seed, "--quiet", "--out", root]) == 0
    first, second = sorted(p for p in tmp_path.iterdir() if p.is_dir())
    page, xml = tmp_path / "c.html", tmp_path / "c.xml"
    code = main(["compare", str(first), str(second), "--all", "--html", str(page), "--junit", str(xml)])
    out = capsys.readouterr().out

    assert code in (0, 3)
    assert out.count("reference n ") >= 5
    assert out.count("new n ") == out.count("reference n ")
    assert page.read_text("utf-8").count("<svg") >= 5
    check_schema(xml.read_text("utf-8"))
    assert main(["compare", str(first), str(second), "--html", str(tmp_path / "no" / "c.html")]) == 2
    assert "--html" in capsys.readouterr().err
