make -s && python -m pytest --junitxml=build/tests.xml --bench-runs=build/runs "$@"
