# wrongbit: the daily acts. `make demo` and `make test` set everything up by themselves.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
READY_TEST := $(VENV)/.ready-test
DEBIAN := cc65 crasm iverilog cbios seabios vgabios ipxe-qemu qemu-system-data kicad-symbols chromium postgresql

.PHONY: demo test check bench fuzz clean setup

demo: $(READY)
	@$(BIN)/wrongbit demo || test $$? -eq 1

# Every test, after the checks. Two workers, as the usual machine has two cores.
test: check
	@sh tools/debian-packages $(DEBIAN)
	$(BIN)/python -m pytest -n 2 --dist loadgroup -q

check: $(READY_TEST)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(READY_TEST)
	$(BIN)/python benchmarks/run.py --write

# Readers under fire: 20 000 damaged files each; `tools/fuzz_readers.py --help` tells of longer campaigns.
fuzz: $(READY_TEST)
	$(BIN)/python tools/fuzz_readers.py

setup: $(READY_TEST)

$(VENV)/bin/python:
	@echo "Setting up $(VENV) (once)"
	@$(PYTHON) -m venv $(VENV) 2>/dev/null || { $(PYTHON) -m pip install --user -q virtualenv && $(PYTHON) -m virtualenv -q $(VENV); }

$(READY): pyproject.toml constraints.txt | $(VENV)/bin/python
	@$(BIN)/python -m pip install -q --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(READY_TEST): pyproject.toml constraints.txt | $(VENV)/bin/python
	@$(BIN)/python -m pip install -q --disable-pip-version-check -c constraints.txt -e ".[test]"
	@touch $@ $(READY)

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache demo
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
