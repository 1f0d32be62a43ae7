"""The plug-in as a maker's repository uses it: fixtures, options, marker, what a failed test shows.

The example repository itself, with the wheel alone: `tests/package`.
"""

from __future__ import annotations

import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import pytest

from benchctl import cli

pytest_plugins = "pytester"
EXAMPLE = Path(__file__).parents[2] / "firmware_probe" / "examples" / "own_repository"
PLUGIN = ("-p", "benchctl.pytest_plugin")
Repository = Callable[..., pytest.RunResult]


@pytest.fixture
def repository(pytester: pytest.Pytester) -> Repository:
    """repository(text of a test file, *options): a run of pytest there, in this process."""

    def run(text: str, *options: str) -> pytest.RunResult:
        pytester.makepyfile(test_it=text)
        return pytester.runpytest_inprocess(*PLUGIN, "-p", "no:cacheprovider", "--strict-markers", "--bench-runs=runs", *options)

    return run


def test_fixtures_give_a_bench_of_simulated_time(repository: Repository) -> None:
    """Each test its own, from second 0, closed after it."""
    done = repository("""
        kept = []
        def test_bench(bench, boards):
            kept.append(bench)
            bench.wait(20)
            assert bench.now() >= 20
            assert list(boards) == ["hand", "craft"]
        def test_another(bench):
            assert kept[0].closed
            assert bench.now() < 1
    """)

    done.assert_outcomes(passed=2)


@pytest.mark.long
def test_a_failed_test_shows_readings_limit_and_plot(repository: Repository, pytester: pytest.Pytester) -> None:
    """Its run is kept with reports; JUnit has folder and readings."""
    done = repository(
        """
        def test_link(bench):
            bench.stage("radio_link", least=200, limits={"round_trip_p50": {"max": 1}}).check()
        """,
        "--junitxml=junit.xml",
    )

    done.assert_outcomes(failed=1)
    done.stdout.re_match_lines_random([
        r"E +AssertionError: radio_link\.round_trip_p50 fail: .*\(\d.*\), limit at most 1 µs",
        r"✗ radio_link: .*limit at most 1 µs",
        r"-+ plots of .*",
        r".*▁.*█.*",
    ])  # fmt: skip
    (folder,) = (pytester.path / "runs").iterdir()
    assert (folder / "report.html").is_file()
    case = next(ET.parse(pytester.path / "junit.xml").getroot().iter("testcase"))
    told = {p.get("name"): p.get("value") for p in case.iter("property")}
    assert told["run"] == f"runs/{folder.name}"
    assert "µs" in str(told["radio_link.round_trip_p50"])


def test_a_passed_run_keeps_its_record_without_reports(repository: Repository, pytester: pytest.Pytester) -> None:
    repository('def test_it(bench): bench.stage("identity").check()').assert_outcomes(passed=1)

    (folder,) = (pytester.path / "runs").iterdir()
    assert (folder / "manifest.json").is_file()
    assert not (folder / "report.html").exists()


def test_needs_skip_with_the_reason(repository: Repository) -> None:
    done = repository(
        """
        import pytest
        @pytest.mark.bench_needs("gauge")
        def test_gauge(bench): assert 0
        @pytest.mark.bench_needs("real")
        def test_real(bench): assert 0
        @pytest.mark.bench_needs("avr")
        def test_avr(bench): assert 0
        @pytest.mark.bench_needs("hand", "modelled", "person", "motor", "sim")
        def test_met(bench): assert bench.attended
        def test_without(gauge): assert 0
        """,
        "-rs",
    )

    done.assert_outcomes(passed=1, skipped=4)
    done.stdout.fnmatch_lines_random(["*needs a gauge, and bench * has hand, craft*", "*needs a bench of kind real, and *"])


def test_a_need_that_there_is_not_is_an_error(repository: Repository) -> None:
    done = repository('import pytest\n@pytest.mark.bench_needs("guage")\ndef test_it(): pass')

    assert done.ret == pytest.ExitCode.USAGE_ERROR
    done.stderr.fnmatch_lines_random(["*bench_needs('guage'): expected some of hand, craft, gauge*"])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--bench", "nowhere"), "nowhere"),
        (("--bench-image", "x.elf"), "--bench-image x.elf: expected ROLE=FILE with ROLE one of hand, craft, gauge"),
        (("--bench-image", "hand=x.elf"), "needs a bench of kind avr"),
        (("--bench-seed", "x"), "--bench-seed x: expected a whole number"),
        (("--bench-pair", "no.toml"), "no.toml"),
    ],
)
def test_a_wrong_option_is_one_sentence(repository: Repository, options: tuple[str, ...], said: str) -> None:
    done = repository("def test_it(bench): pass", *options)

    done.assert_outcomes(errors=1)
    done.stdout.fnmatch_lines_random([f"*{said}*"])
    done.stdout.no_fnmatch_line("*Traceback*")


def test_ini_values_are_taken_beside_the_ini_file(repository: Repository, pytester: pytest.Pytester) -> None:
    (pytester.path / "mine.toml").write_text('name = "mine"\npair = "mudlark"\nonly = ["craft"]\n')
    pytester.makeini("[pytest]\nbench = mine.toml\nbench_seed = 4\n")

    repository('def test_it(bench): assert (bench.name, list(bench.boards)) == ("mine", ["craft"])').assert_outcomes(passed=1)


def test_real_boards_are_not_shared_between_processes(repository: Repository, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told before any port is opened."""
    monkeypatch.setattr("benchctl.library.opened.open_bench", lambda *a, **k: pytest.fail("a port was opened"))

    text = """
        import pytest
        @pytest.fixture(autouse=True)
        def one_of_two(request):
            request.config.workerinput = {"workercount": 2}
            yield
            del request.config.workerinput
        def test_it(bench): pass
        """
    repository(text, "--bench", "ports").stdout.fnmatch_lines_random(["*real boards are used by one process at a time*"])


def test_motor_tests_on_real_boards_want_a_person(repository: Repository, monkeypatch: pytest.MonkeyPatch) -> None:
    """No fixture arms: without --bench-person nobody is there, and --bench-person alone wants a terminal."""
    from benchctl.library import opened

    class Real:
        simulated, kind, boards, name, operator = False, "ports", {}, "ports", None

        def close(self) -> None: ...

    monkeypatch.setattr(opened.benches, "open_bench", lambda *a, **k: Real())
    text = 'import pytest\n@pytest.mark.bench_needs("motor")\ndef test_it(bench): assert 0'

    done = repository(text, "--bench", "ports", "-rs")
    done.assert_outcomes(skipped=1)
    done.stdout.fnmatch_lines_random(["*run with --bench-person -s and stay at the bench*"])
    repository(text, "--bench", "ports", "--bench-person").stdout.fnmatch_lines_random(["*person: expected a terminal*"])


def test_a_test_that_times_out_leaves_nothing_open(repository: Repository) -> None:
    """By pytest-timeout's signal, in the middle of bench time."""
    if not hasattr(__import__("signal"), "SIGALRM"):
        pytest.skip("this system has no SIGALRM")
    done = repository(
        """
        import pytest
        kept = []
        @pytest.mark.timeout(0.5, method="signal")
        def test_hangs(bench):
            kept.append(bench)
            while True:
                bench.wait(0.1)
        def test_after(): assert kept[0].closed
        """
    )

    done.assert_outcomes(failed=1, passed=1)


def test_the_plug_in_costs_a_run_of_pytest_nothing() -> None:
    """Loaded in every run of pytest where benchctl is installed: it imports none of the package but its name."""
    code = "import sys, benchctl.pytest_plugin; print(sorted(m for m in sys.modules if m.startswith(('benchctl', 'numpy'))))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout == "['benchctl', 'benchctl.pytest_plugin']\n"


def test_the_manuals_example_is_the_repositorys(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["help", "pytest"])
    text = capsys.readouterr().out
    example = (EXAMPLE / "tests" / "test_pair.py").read_text("utf-8")

    assert "def test_the_led_answers_within_25_ms(gauge):" in text
    assert "def test_the_led_answers_within_25_ms(gauge):" in example
    assert example.count("def test_") == 5
    assert len((EXAMPLE / "ci.sh").read_text("utf-8").splitlines()) == 1


@pytest.mark.long
def test_processes_of_their_own(pytester: pytest.Pytester) -> None:
    """With -n every process has its own modelled bench; runs of one second get names of their own."""
    pytester.makepyfile(
        test_it="""
        import pytest
        @pytest.mark.parametrize("n", range(4))
        def test_it(bench, n): bench.stage("identity").check()
        """
    )
    done = pytester.runpytest_subprocess(*PLUGIN, "--bench-runs=runs", "-n", "2")

    done.assert_outcomes(passed=4)
    assert len(list((pytester.path / "runs").iterdir())) == 4
