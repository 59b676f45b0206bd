# make demo    a virtual unit from finding it to accepting it, in under a minute
# make test    the tests;      ARGS="-k pump" picks some, ARGS="-n0 -x" runs them one by one up to the first failure
# make lint    style, types, import rules, generated files
# make clean   removes what the others made
# Each sets up what it needs in .venv, once.

PYTHON ?= python3
WORKERS ?= 2
ARGS ?=
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check install

.DEFAULT_GOAL := help
.PHONY: help demo test lint lint-check lint-format lint-types lint-imports lint-generated clean

help:
	@sed -n 's/^# \{0,1\}//p' Makefile

demo: .venv/.run-ready
	$(BIN)/airquill demo $(ARGS)

test: .venv/.test-ready
	@.ci/debian
	@$(BIN)/python .ci/layouts.py
	@$(BIN)/python .ci/labgrid.py
	@$(BIN)/python .ci/figures.py
	$(BIN)/python -m pytest -n $(WORKERS) $(ARGS) || { [ $$? = 1 ] && [ "$$AIRQUILL_REQUIRE" = 1 ] && \
	  echo "Those that failed run again, alone: tests beside them may have starved a unit of real time." && \
	  $(BIN)/python -m pytest -n 0 --last-failed --last-failed-no-failures none; }

# Every part runs, also when one before it failed.
lint: .venv/.test-ready
	@$(MAKE) --no-print-directory --keep-going lint-check lint-format lint-types lint-imports lint-generated

lint-check: .venv/.test-ready
	$(BIN)/ruff check .
lint-format: .venv/.test-ready
	$(BIN)/ruff format --check .
lint-types: .venv/.test-ready
	$(BIN)/mypy
lint-imports: .venv/.test-ready
	$(BIN)/lint-imports
lint-generated: .venv/.test-ready
	$(BIN)/python protocol/generate.py --check

.venv/.made:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Airquill needs Python 3.11 or newer; name one with: make PYTHON=/path/to/python3.11" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || .ci/debian python3-venv
	$(PYTHON) -m venv --clear .venv
	@touch $@

.venv/.run-ready: .venv/.made pyproject.toml
	@echo "Installing Airquill and what it needs into .venv; the first time takes a minute or two."
	$(PIP) --editable .
	@touch $@

.venv/.test-ready: .venv/.made pyproject.toml
	@echo "Installing Airquill and what its tests need into .venv; the first time takes a minute or two."
	$(PIP) --editable '.[test]'
	@touch .venv/.run-ready $@

clean:
	rm -rf .venv .venv-labgrid build dist .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
