"""Whatever is printed or written as JSON keeps to the schemas that are shipped; errors too. CSV and Parquet of the list."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import event_schema
import jsonschema
import pytest
from helpers_runs import failing_run, healthy_run
from needs import need_module

import benchctl
from benchctl import as_objects, shipped
from benchctl import events as ev
from benchctl.cli import main
from benchctl.event_json import to_json
from benchctl.ports.discover import Found, State
from benchctl.runs.log import RunLog
from benchctl.terms import Interval, Reading

SCHEMAS = Path(benchctl.__file__).parent / "data" / "schemas"
#: Draft 2020-12 as the package jsonschema implements it: not ours
CHECK = jsonschema.Draft202012Validator


def check(kind: str, told: Any) -> Any:
    CHECK(json.loads((SCHEMAS / f"{kind}.json").read_text("utf-8"))).validate(told)
    return told


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three made-up runs, two of them failed ones."""
    root = tmp_path_factory.mktemp("batch")
    for name, events in (("a", healthy_run()), ("b", failing_run()), ("c", failing_run())):
        (root / name).mkdir()
        with RunLog(root / name) as log:
            for event in events:
                log(event)
    return root


def printed(call: list[str], capsys: pytest.CaptureFixture[str], code: int = 0) -> Any:
    assert main(call) == code
    return json.loads(capsys.readouterr().out)


def test_the_schemas_are_schemas() -> None:
    """Each of draft 2020-12, closed: a key that is not in it is found."""
    names = {path.stem for path in SCHEMAS.glob("*.json")}

    assert names == {
        *("run", "comparison", "findings", "runs", "boards", "procedures"),
        *("error", "event", "manifest", "references", "images"),
    }
    for path in SCHEMAS.glob("*.json"):
        CHECK.check_schema(json.loads(path.read_text("utf-8")))
    with pytest.raises(jsonschema.ValidationError):
        check("error", {"error": "x", "exit_code": 2, "schema": 1, "more": 1})


def _objects(schema: Any) -> Iterator[dict[str, Any]]:
    """Every description of an object in a schema."""
    if isinstance(schema, dict):
        if isinstance(schema.get("properties"), dict):
            yield schema
        for inner in schema.values():
            yield from _objects(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _objects(inner)


def test_an_interval_has_one_form_everywhere() -> None:
    """low, high and level: wherever an end may stand, all three have to."""
    of = {"low", "high", "level"}
    found = set()
    for path in SCHEMAS.glob("*.json"):
        for schema in _objects(json.loads(path.read_text("utf-8"))):
            if {"low", "high"} & set(schema["properties"]):
                found.add(path.stem)
                assert of <= set(schema["required"]), path.stem
            assert not {"lo", "hi", "confidence_low", "ci"} & set(schema["properties"])
    assert found == {"run", "comparison", "runs", "event"}


def test_the_table_of_the_shipped_images_keeps_to_its_schema() -> None:
    check("images", json.loads((shipped.IMAGES / "manifest.json").read_text("utf-8")))


@pytest.mark.parametrize("change", [{"interval": [1, 2]}, {"interval": {"low": 1, "high": 2}}, {"value": None}])
def test_a_reading_of_another_form_is_found(change: dict[str, Any]) -> None:
    """Else the record's check could not fail."""
    measured = Reading("x", 1.0, "V", interval=Interval(0.0, math.inf, 0.95))
    event = check("event", to_json(ev.ReadingTaken(0.0, "s", measured)))
    with pytest.raises(jsonschema.ValidationError):
        check("event", {**event, "reading": {**event["reading"], **change}})


def test_the_record_s_schema_is_the_one_made_from_the_events() -> None:
    """Every kind of event and of fact, field by field; after a change: `python tests/cli/event_schema.py`."""
    assert event_schema.FILE.read_text("utf-8") == event_schema.text()
    for event in (*healthy_run(), *failing_run()):
        check("event", json.loads(json.dumps(to_json(event))))
    with pytest.raises(jsonschema.ValidationError):
        check("event", to_json(ev.Note(0.0, "s", "x")) | {"more": 1})


def test_lists_keep_to_their_schemas(batch: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--runs", str(batch), "--json"]

    listed = check("runs", printed(["runs", *at], capsys))
    assert [r["name"] for r in listed["runs"]] == ["c", "b", "a"]
    assert listed["first_pass_yield"]["low"] <= listed["first_pass_yield"]["value"] <= listed["first_pass_yield"]["high"]
    assert check("findings", printed(["findings", "b", *at], capsys))["findings"][0]["cause"] == "bulk_capacitor_missing"
    assert check("comparison", printed(["compare", "b", "c", *at], capsys))["readings"]
    check("comparison", printed(["compare", "a", "b", *at], capsys, 1))
    check("run", printed(["report", "b", "--format", "json", "--runs", str(batch)], capsys))
    assert check("procedures", printed(["procedures", "--json"], capsys))["procedures"][0]["stages"]
    check("runs", printed(["runs", "--runs", str(batch / "none"), "--json"], capsys))


def test_boards_keep_to_their_schema(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Somebody answers, nobody does, no port at all."""
    from benchctl.session.boot import Identity

    monkeypatch.setattr("benchctl.ports.discover.survey", list)
    assert check("boards", printed(["boards", "--json"], capsys, 3))["boards"] == []
    who = Identity.__new__(Identity)
    for name, value in {"role": benchctl.Role.HAND, "label": "mine", "firmware": "1.0", "image_crc": "00c0ffee", "fuses": b""}.items():
        object.__setattr__(who, name, value)
    found = [Found("/dev/a", State.BOARD, "a", "usb", who, 500_000, 1.0), Found("/dev/b", State.SILENT, "b")]
    monkeypatch.setattr("benchctl.ports.discover.survey", lambda: found)
    told = check("boards", printed(["boards", "--json"], capsys))["boards"]
    assert [(b["role"], b["label"], b["state"]) for b in told] == [("hand", "mine", "board"), (None, None, "silent")]


def test_a_run_and_its_files_keep_to_their_schemas(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What `run --json` prints, the record's lines, the report, the manifest, and the references file."""
    procedure = tmp_path / "p.toml"
    procedure.write_text('name = "p"\n[[stage]]\nkind = "identity"\n')
    out = tmp_path / "runs"

    told = check("run", printed(["run", str(procedure), "--quiet", "--json", "--out", str(out)], capsys))
    assert (told["reason"], told["exit_code"], "error" in told) == ("", 0, False)
    assert main(["reference", "set", "last", "--runs", str(out)]) == 0
    check("references", json.loads((out / "references.json").read_text("utf-8")))
    check("manifest", json.loads((run / "manifest.json").read_text("utf-8")))
    check("run", json.loads((run / "report.json").read_text("utf-8")))
    lines = (run / "events.jsonl").read_text("utf-8").splitlines()
    for line in lines:
        check("event", json.loads(line))
    assert json.loads(lines[0])["schema"] == 1


def test_with_a_reference_a_run_keeps_its_shape(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The comparison and the looks come beside what a run has anyway."""
    procedure = tmp_path / "p.toml"
    procedure.write_text('name = "p"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = 0.5\n')
    call = ["run", str(procedure), "--quiet", "--json", "--out", str(tmp_path / "runs")]
    capsys.readouterr()
    main(call)
    alone = check("run", json.loads(capsys.readouterr().out))
    main([*call, "--reference", alone["run"]])
    compared = check("run", json.loads(capsys.readouterr().out))

    assert set(alone) <= set(compared)
    assert set(compared) - set(alone) == {"comparison", "looks"}
    assert compared["comparison"]["reference"] == alone["run"]
    assert compared["run"] == compared["looks"][-1]


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (["runs", "--most", "0"], 2),
        (["runs", "--since", "yesterday"], 2),
        (["runs", "--verdict", "good"], 2),
        (["findings", "nothing"], 2),
        (["compare", "a"], 2),
        (["compare", "nothing", "nothing"], 2),
        (["procedures", "more"], 2),
        (["boards", "--nothing"], 2),
        (["run", "nothing"], 2),
        (["run", "radio-link", "--bench", "nothing"], 2),
    ],
)
def test_errors_are_objects_too(call: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*call, "--json"]) == code
    out, err = capsys.readouterr()
    told = check("error", json.loads(out))

    assert told["exit_code"] == code
    assert err == f"benchctl: {told['error']}\n"


def test_what_the_system_refuses_is_an_object(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", "/runs")

    monkeypatch.setattr("benchctl.list_commands.runs", full)
    assert check("error", printed(["runs", "--json"], capsys, 3))["error"] == "/runs: No space left on device"


@pytest.mark.parametrize(
    ("options", "names"),
    [
        (["--verdict", "fail"], ["c", "b"]),
        (["--board", "mudlark-hand-03"], ["c", "b", "a"]),
        (["--board", "nobody"], []),
        (["--cause", "bulk_capacitor_missing"], ["c", "b"]),
        (["--cause", "nothing"], []),
        (["--since", "2026-03-14"], ["c", "b", "a"]),
        (["--since", "2026-03-14T12:16:00+02:00"], []),
        (["--until", "2026-03-14T12:16:00+02:00"], ["c", "b", "a"]),
        (["--until", "2026-03-14"], []),
    ],
)
def test_runs_are_chosen(options: list[str], names: list[str], batch: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By board, verdict, cause and date; a date with a zone is taken to UTC."""
    told = printed(["runs", "--runs", str(batch), "--json", *options], capsys)

    assert [r["name"] for r in told["runs"]] == names


def test_the_list_as_csv_and_parquet(batch: Path, tmp_path: Path) -> None:
    """Read back by the standard library and by pyarrow: a row a run, the same in both."""
    need_module("pyarrow.parquet")
    from pyarrow import parquet

    files = ["--csv", str(tmp_path / "runs.csv"), "--parquet", str(tmp_path / "runs.parquet")]

    assert main(["runs", "--runs", str(batch), *files]) == 0
    rows = list(csv.DictReader(io.StringIO((tmp_path / "runs.csv").read_bytes().decode())))
    table = parquet.read_table(tmp_path / "runs.parquet")
    assert tuple(rows[0]) == as_objects.COLUMNS == tuple(table.column_names)
    assert [r["name"] for r in rows] == table["name"].to_pylist() == ["c", "b", "a"]
    assert [float(r["seconds"]) for r in rows] == table["seconds"].to_pylist()
    assert rows[0]["cause"] == "bulk_capacitor_missing"
    assert rows[0]["hand"] == "mudlark-hand-03"


def test_parquet_without_its_library_says_what_to_install(
    batch: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)

    assert main(["runs", "--runs", str(batch), "--parquet", str(tmp_path / "x")]) == 2
    assert "pip install 'benchctl[parquet]'" in capsys.readouterr().err


def test_files_and_records_of_before_name_real_boards_otherwise(tmp_path: Path) -> None:
    """`serial` is read as `ports`: the one word for real boards, on the command line and in files."""
    from benchctl import benchfile
    from benchctl.runs.summary import summarise

    assert benchfile.parse(b'kind = "serial"\npair = "mudlark"\n').kind == "ports"
    started = healthy_run()[0]
    object.__setattr__(started, "bench_kind", "serial")
    assert summarise([started]).bench_kind == "ports"
