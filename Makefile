# Two commands do all the set-up on a fresh machine: `make demo` and `make test`. Each makes .venv from nothing.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin

.PHONY: demo test test-long check format prove prove-short bench clean

demo: $(VENV)/installed-run
	$(BIN)/stager demo

test: $(VENV)/installed-test
	$(BIN)/python -m pytest -n 2 --dist loadfile -m "not long"

test-long: $(VENV)/installed-test
	$(BIN)/python -m pytest -n 2 --dist loadfile -m long

check: $(VENV)/installed-dev
	$(BIN)/ruff format --check stager tests
	$(BIN)/ruff check stager tests
	$(BIN)/mypy
	$(BIN)/python -m pytest tests/test_layers.py tests/test_style.py

format: $(VENV)/installed-dev
	$(BIN)/ruff format stager tests
	$(BIN)/ruff check --fix stager tests

prove: $(VENV)/installed-test
	$(BIN)/python -m tests.prove

prove-short: $(VENV)/installed-test
	$(BIN)/python -m tests.prove --short

bench: $(VENV)/installed-test
	$(BIN)/python -m tests.bench

clean:
	rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .hypothesis
	find stager tests -name __pycache__ -prune -exec rm -rf {} +

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or newer is needed; say which with: make demo PYTHON=python3.12" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/installed-run: $(BIN)/python pyproject.toml
	$(BIN)/python -m pip install -q --disable-pip-version-check -e .
	@touch $@

$(VENV)/installed-test: $(BIN)/python pyproject.toml
	$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[test]'
	@touch $@

$(VENV)/installed-dev: $(BIN)/python pyproject.toml
	$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[dev]'
	@touch $@
