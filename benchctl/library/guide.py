"""The manual's page on the library: its examples are run by the suite, and their output compared."""

from __future__ import annotations

#: doctest examples between paragraphs; at most 78 columns
PYTHON = """\
  The package is a library too, for scripts and tests of your own:

    >>> from benchctl import open_bench
    >>> with open_bench("sim", seed=7) as bench:
    ...     run = bench.stage("identity")
    ...     run.verdict
    <Verdict.PASS: 'pass'>

  open_bench takes what --bench takes: sim, avr, ports, a bench file; beside it
  pair, seed, labels, images ({"hand": "hand.elf"} on avr) and runs, the folder
  where runs are kept. At the end of the block every output is idle and every
  port closed, also after an exception or a signal that ends the process. A
  process that is killed outright says nothing more: then the boards' own
  guard brings motors to idle, 250 ms and a frame after the last request.

  A run is what `benchctl run` records, with its folder and its reports:

    >>> with open_bench("sim", seed=7) as bench:
    ...     board = bench.board("craft")
    ...     print(board.identify().label)
    ...     limits = {"hand_to_craft.loss": {"max": 5}}
    ...     link = bench.stage("radio_link", limits=limits, least=300)
    mudlark-craft-01
    >>> loss = link.reading("hand_to_craft.loss")
    >>> loss.unit, loss.n >= 300, loss.interval.level
    ('%', True, 0.95)
    >>> 0 in loss.interval
    True

  bench.run("no-motor") performs a procedure, shipped or a file, as a whole.
  run.check() raises AssertionError where the verdict is not pass, and says
  each reading with its interval and its limit; run.problems() lists the same.

  Recorded runs are read back whole, the raw measurements as numpy arrays;
  pandas.DataFrame or polars.DataFrame takes `columns` as it is:

    >>> from benchctl import compare_runs, read_run
    >>> again = read_run(link.folder)
    >>> again.readings() == link.readings()
    True
    >>> packets = again.table("hand_to_craft_single")
    >>> list(packets.columns), packets["at"].dtype.name
    (['at', 'lost', 'retries', 'done'], 'float64')
    >>> columns = again.readings_table()
    >>> list(columns)[:7]
    ['stage', 'reading', 'value', 'unit', 'n', 'low', 'high']
    >>> found = compare_runs(link, again)
    >>> len(found.rows) > 5, found.missing, found.differences
    (True, (), ())

  Its verdict is fail where something got worse, undecided where the samples
  are too few to say.

  Boards are asked with the messages of the wire:

    >>> from benchctl import BenchctlError, messages
    >>> with open_bench("sim", seed=7) as bench:
    ...     craft = bench.board("craft")
    ...     print(4500 < craft.ask(messages.Vitals()).vcc_mv < 5500)
    ...     try:
    ...         craft.ask(messages.ArmChallenge(channel=2, radio=0))
    ...     except BenchctlError as e:
    ...         print(str(e)[:43])
    True
    'arm_challenge' leads to a turning motor: i

  Nothing here arms by itself. Motors turn in the stages of a procedure only,
  after each statement was attested with the word shown for it. On real boards
  nobody is there to be asked unless person=True, which wants a terminal; no
  operator can be handed in, and a file of answers cannot answer a word.

  A stage of your own is declared as the shipped ones are:

    >>> from benchctl import Context, Limit, Needs, ReadingSpec, Role, Stage
    >>> def perform(ctx: Context) -> None:
    ...     volts = ctx.board(Role.HAND).ask(messages.Vitals()).vcc_mv / 1000
    ...     ctx.read("vcc", volts, "V")
    >>> rest = Stage(
    ...     kind="rest_supply",
    ...     title="Supply at rest",
    ...     instruction="Touch nothing.",
    ...     needs=Needs(roles=(Role.HAND,)),
    ...     perform=perform,
    ...     measures=(ReadingSpec("vcc", "V", "supply", Limit(4.5, 5.5)),),
    ... )
    >>> with open_bench("sim", seed=7) as bench:
    ...     bench.stage(rest).check().stages
    {'rest_supply': <Verdict.PASS: 'pass'>}

  A procedure takes it from a module beside it that has the name STAGE, or
  STAGES: modules = ["fan.py"] at its top, then kind = "fan_start"; or from an
  installed package with an entry point of group benchctl.stages, its name the
  kind. Loading such a procedure runs the module. What is wrong with it is
  said in one sentence with the place, and the run's record has its sum.

  What is protected: a stage of your own reaches boards through the run's
  interlock. It cannot attest, raise the cap or undo a stop; challenge, arming
  and throttle leave for a board only in a stage that says spins=True, needs
  all that the shipped ramp needs (TO_SPIN), has been attested by a person,
  and drives through motor_drive. What is not: Python cannot fence code in. A
  module that digs in private parts or writes to the port itself is held by
  the board's guard alone: challenge, cap, slew, keep-alive. Read a module
  before you run it, as you would a sketch.

  Public is what `benchctl.__all__` lists, and what these objects have without
  a leading underscore. Everything else may change at any time; changes to the
  public names are told in the changelog."""

PYTEST = '''\
  Installed beside pytest, benchctl brings fixtures for tests of your own:

    def test_the_led_answers_within_25_ms(gauge):
        """In 99 % of presses and releases."""
        limits = {"within": {"min": 99}}
        gauge.switch_to_led(presses=250, within_ms=25.0, limits=limits).check()

    pytest --bench avr --bench-pair pair.toml \\
        --bench-image hand=hand.elf --bench-image craft=craft.elf

  Fixtures: bench, open for one test, with run(), stage(), now() and wait() in
  the bench's own time, which is simulated on sim and avr; boards, by role;
  gauge, with wiring(), switch_to_led(), joystick_to_pulse() and cut_off().
  What they return is told in `benchctl help python`.

  Options: --bench, --bench-pair, --bench-image ROLE=FILE, --bench-seed,
  --bench-runs, --bench-person. The first five can stand in pytest's ini file,
  as bench, bench_pair, bench_images (one a line), bench_seed and bench_runs;
  files are then looked for beside it.

  Marker: @pytest.mark.bench_needs("gauge", "person"). It skips a test where
  the bench lacks a role (hand, craft, gauge), its kind (modelled, real, sim,
  avr), somebody who answers (person), or what motor stages need (motor).

  Motors: stages that turn one keep all their attestations. On real boards a
  person is asked at the terminal, with --bench-person and -s; without it they
  are not run, and nothing that a fixture offers arms.

  A failed test shows its readings with interval and limit, and histograms.
  JUnit gets each run's folder and readings as properties of the test; the
  folder is as any run's, its reports are written when it did not pass. With
  -n each process has its own modelled bench; real boards want one process.

  firmware_probe/examples/own_repository is a whole repository: two sketches,
  a pair file, five tests, one shell line.'''
