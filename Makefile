# `make demo` and `make test` are all a newcomer needs: each makes its own environment in .venv.

PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3.14 python3; do \
	$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $$p && break; done)
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
STUBS := build/typings

.PHONY: bench bench-accounts bench-forward bench-host bench-node bench-twin crash histories mutations soak truth demo test check types lint fast slow contract packages lock clean

demo: $(VENV)/.run-installed
	@$(BIN)/wheelpit demo

test: check fast slow

# The environment ------------------------------------------------------------------------------------------

$(BIN)/python:
	@test -n "$(PYTHON)" || { echo "Wheelpit needs Python 3.11 or newer; none was found on the PATH." >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run-installed: requirements.lock pyproject.toml | $(BIN)/python
	@echo "Installing what Wheelpit needs into $(VENV) ..."
	$(PIP) install --quiet --require-hashes -r requirements.lock
	$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.test-installed: requirements-test.lock $(VENV)/.run-installed
	@echo "Installing what the tests need into $(VENV) ..."
	$(PIP) install --quiet --require-hashes -r requirements-test.lock
	@touch $@

# The stubs of the boards replace the standard library's types, so they stay out of the environment.
$(STUBS)/rp2: firmware/stubs-rp2.lock | $(BIN)/python
	$(PIP) install --quiet --upgrade --require-hashes --target $@ -r $<
	@touch $@

$(STUBS)/esp32: firmware/stubs-esp32.lock | $(BIN)/python
	$(PIP) install --quiet --upgrade --require-hashes --target $@ -r $<
	@touch $@

# The checks, fastest first --------------------------------------------------------------------------------

check: lint types

lint: $(VENV)/.test-installed
	$(BIN)/ruff check
	$(BIN)/ruff format --check --quiet
	$(BIN)/lint-imports --no-logo

types: $(VENV)/.test-installed $(STUBS)/rp2 $(STUBS)/esp32
	$(BIN)/mypy
	$(BIN)/mypy --config-file firmware/mypy-rp2.ini
	$(BIN)/mypy --config-file firmware/mypy-esp32.ini

fast: $(VENV)/.test-installed
	$(BIN)/pytest -n 3 -m "not slow"

slow: $(VENV)/.test-installed
	$(BIN)/pytest -n 3 --dist loadfile -m slow

# Figures: each prints a table and writes build/<name>.json -------------------------------------------------

bench: bench-twin bench-node bench-host bench-accounts

bench-twin bench-node bench-host bench-accounts bench-forward: bench-%: $(VENV)/.test-installed
	$(BIN)/python tests/bench/bench_$*.py

# Random histories of the delivery, twenty times as many as the tests live through.
histories: $(VENV)/.test-installed
	WHEELPIT_HISTORIES=20 $(BIN)/pytest -n 2 tests/store/test_delivery.py tests/firmware/test_delivery_random.py \
		tests/firmware/test_flash_delivery.py

# Campaigns that take minutes to an hour; the tests run a short form of each.
crash: $(VENV)/.test-installed
	$(BIN)/python tests/bench/crash.py

soak: $(VENV)/.test-installed
	$(BIN)/python tests/bench/soak_node.py $(SOAK)

# Small wrongs in a copy of the firmware, one at a time: which test notices each; exits 1 where one survives.
mutations: $(VENV)/.test-installed
	$(BIN)/python tests/bench/mutations.py $(MUTATIONS)

truth: $(VENV)/.test-installed
	$(BIN)/python tests/bench/truth.py

# For those who change things ------------------------------------------------------------------------------

contract: $(VENV)/.run-installed
	$(BIN)/python -m wheelpit.contract.documents

packages: $(VENV)/.run-installed
	$(BIN)/python -m wheelpit.node.packages

# Needs `uv`; writes no registry's address into the lock files.
LOCK := uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header
lock:
	$(LOCK) --extra demo --extra node --extra build pyproject.toml -o requirements.lock
	$(LOCK) --extra demo --extra node --extra build --extra test -c requirements.lock pyproject.toml -o requirements-test.lock
	$(LOCK) firmware/stubs-rp2.in -o firmware/stubs-rp2.lock
	$(LOCK) firmware/stubs-esp32.in -o firmware/stubs-esp32.lock

clean:
	rm -rf $(VENV) build dist
