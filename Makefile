# Each target sets up its own virtual environment in .venv; only Python 3.11+ and make are needed.

PYTHON ?= python3
VENV := .venv
ifeq ($(OS),Windows_NT)
BIN := $(VENV)/Scripts
else
BIN := $(VENV)/bin
endif

# Many tests wait for ports, processes and clocks: more of them at a time than there are cores.
export PYTEST_XDIST_AUTO_NUM_WORKERS ?= 4

.PHONY: corpus demo test check bench fuzz format clean

demo: $(VENV)/.for-use
	@$(BIN)/livealign demo $(ARGS)

test: $(VENV)/.for-work
	$(BIN)/python -m pytest -n auto --dist loadfile $(ARGS)

check: $(VENV)/.for-work
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/lint-imports
	$(BIN)/mypy
	$(BIN)/pyright

bench: $(VENV)/.for-work
	$(BIN)/python tests/bench/run.py $(ARGS)

fuzz: $(VENV)/.for-fuzz
	$(BIN)/python tests/fuzz/run.py $(if $(SECONDS),--seconds $(SECONDS)) $(ARGS)

corpus: $(VENV)/.for-work
	$(BIN)/python tests/corpus/run.py check

format: $(VENV)/.for-work
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) build dist

$(VENV)/.made:
	@$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11))" || \
	  { echo "Python 3.11 or newer is needed; name it with: make PYTHON=python3.12 ..." >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/.for-use: $(VENV)/.made pyproject.toml constraints.txt
	@echo "Setting up (once) ..." >&2
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(VENV)/.for-work: $(VENV)/.for-use pyproject.toml constraints.txt tests/heads/package.json
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[dev]"
	@$(BIN)/python tests/heads/micropython.py || echo "Without MicroPython, tests of the home-built head are skipped." >&2
	@touch $@

$(VENV)/.for-fuzz: $(VENV)/.for-work pyproject.toml constraints.txt
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[dev,fuzz]"
	@touch $@
