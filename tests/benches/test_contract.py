"""Both simulated benches fulfil the bench contract."""

from __future__ import annotations

from bench_contract import check_bench


def test_bench_contract(kind, open_bench) -> None:
    check_bench(open_bench(kind))
