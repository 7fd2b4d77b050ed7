# simwrap: `make demo` runs the tool, `make test` proves it. Both install what they need into .venv first,
# and again only when pyproject.toml has changed.

PYTHON ?= python3
VENV ?= .venv
JOBS ?= 2
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check -qq
ROOT := $(shell [ "$$(id -u)" = 0 ] || echo sudo)
# A machine without a network must not wait for long.
APT := $(ROOT) env DEBIAN_FRONTEND=noninteractive apt-get -qq -o Acquire::Retries=0 -o Acquire::http::Timeout=15

# Matrices are many and small: threads of a linear algebra library would only wait for one another, in busy loops.
export OPENBLAS_NUM_THREADS ?= 1
# Each of the many processes that tests start would compile every module again, where somebody has set this.
export PYTHONDONTWRITEBYTECODE :=

.PHONY: demo test check lint house matrix docs bench floors release models ngspice clean
.DELETE_ON_ERROR:

demo: $(VENV)/.installed $(VENV)/.ngspice
	@$(BIN)/simwrap demo --force

# Each process begins with modules of its own, and takes over from the other's end: what a module's tests share is
# computed twice for a few of them only, and none runs alone for long.
test: $(VENV)/.installed-test $(VENV)/.ngspice-test
	$(BIN)/python -m pytest -n $(JOBS) --dist worksteal --durations=25
	@if ls notebooks/*.ipynb >/dev/null 2>&1; then \
	  $(BIN)/python -m pytest -n $(JOBS) --nbmake --nbmake-timeout=600 -W default notebooks; fi

# What takes minutes each: all spoilt files, planted values, kinds of supply, the guard's millions of samples.
long: $(VENV)/.installed-test $(VENV)/.ngspice-test
	$(BIN)/python -m pytest -n $(JOBS) -m long

# For the working loop: lint, and the tests that need no long simulation.
check: lint
	$(BIN)/python -m pytest -q -n $(JOBS) -m "not slow and not long" $(UNITS)
UNITS := tests/units tests/circuits tests/findings tests/engine/test_shooting.py tests/engine/test_options.py \
	tests/simulation/test_plan.py tests/test_rooms.py tests/test_house.py tests/test_project.py

# Figures of the house: how much there is, what leans on what. HOUSE="--list" says where, HOUSE=/path is of another checkout.
house: $(VENV)/.installed
	$(BIN)/python tests/house.py $(HOUSE)

# Every measure on every stage, with times, as a table.
matrix: $(VENV)/.installed-dev $(VENV)/.ngspice
	@$(BIN)/python tests/matrix.py

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# The documentation site, without a network and without a warning; its pages run what they show.
docs: $(VENV)/.installed-docs
	$(BIN)/python -m sphinx -W --keep-going -q -b html docs build/docs
	@echo "built: build/docs/index.html"

# Ratios against other ways of running the same 1000 points; the machine should be idle.
bench: $(VENV)/.installed-dev $(VENV)/.ngspice-test
	$(BIN)/python -m pytest tests/bench --override-ini=addopts= --quiet --capture=no

# The lowest versions that pyproject.toml allows, in an environment of their own: installs them and runs the tests that
# are quick. Old libraries on new ones of theirs warn of what will be gone; that is no fault of ours.
FLOORS := .venv-floors
QUICK := tests/units tests/circuits tests/simulation tests/plots tests/notebook tests/cli tests/test_project.py \
	tests/test_rooms.py tests/test_developers_page.py
floors: | $(BIN)/python
	$(PYTHON) -m venv --clear $(FLOORS)
	$(FLOORS)/bin/python -m pip --disable-pip-version-check -qq install uv
	$(FLOORS)/bin/uv pip install -q --python $(FLOORS)/bin/python --resolution lowest-direct --editable . --group test
	$(FLOORS)/bin/python -m pytest -n $(JOBS) -m "not slow and not long" -W default::DeprecationWarning \
	  -W default::PendingDeprecationWarning $(QUICK)

# Sdist and wheel: built, their metadata checked, and each installed by itself, where it has to measure a stage.
CLEAN := build/release
release: $(VENV)/.installed-dev
	rm -rf dist $(CLEAN)
	$(BIN)/python -m build --outdir dist .
	$(BIN)/python -m twine check --strict dist/*
	@for made in dist/*.whl dist/*.tar.gz; do \
	  echo "$$made in a clean environment"; \
	  $(PYTHON) -m venv --clear $(CLEAN) && $(CLEAN)/bin/python -m pip --disable-pip-version-check -qq install "$$made" \
	  && (cd $(CLEAN) && env -u PYTHONPATH bin/simwrap --version && bin/simwrap measure triode_gain --measure bias >/dev/null) \
	  || exit 1; done
	@rm -rf $(CLEAN); ls -l dist

# Fits every valve file again from its published rows; TYPES="12AX7 6V6GT" for some of them.
models: $(VENV)/.installed
	$(BIN)/python -m simwrap.fitting.rebuild $(TYPES)

# Tries again to bring the ngspice library.
ngspice:
	@rm -f $(VENV)/.ngspice $(VENV)/.ngspice-test
	@$(MAKE) --no-print-directory $(VENV)/.ngspice

clean:
	rm -rf $(VENV) $(FLOORS) build dist docs/_ran docs/reference/made .pytest_cache .mypy_cache .ruff_cache .hypothesis .benchmarks

$(BIN)/python:
	@command -v $(PYTHON) >/dev/null && $(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
	  || { echo "Installing python3-venv"; $(APT) update; $(APT) install -y python3 python3-venv >/dev/null || true; }
	@$(PYTHON) -c 'import ensurepip, sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "simwrap needs Python 3.11 or later with its venv module (python3-venv); or give one: make PYTHON=/path/to/python3"; exit 1; }
	@$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml | $(BIN)/python
	@echo "Installing simwrap into $(VENV) (once)"
	@$(PIP) install --editable .
	@touch $@

$(VENV)/.installed-test: pyproject.toml | $(BIN)/python
	@echo "Installing simwrap and its tests into $(VENV) (once)"
	@$(PIP) install "pip>=25.1"
	@$(PIP) install --editable . --group test
	@touch $(VENV)/.installed $@

$(VENV)/.installed-dev: pyproject.toml | $(BIN)/python
	@echo "Installing simwrap and its developers' tools into $(VENV) (once)"
	@$(PIP) install "pip>=25.1"
	@$(PIP) install --editable . --group dev
	@touch $(VENV)/.installed $(VENV)/.installed-test $@

$(VENV)/.installed-docs: pyproject.toml | $(BIN)/python
	@echo "Installing simwrap and what builds its documentation into $(VENV) (once)"
	@$(PIP) install "pip>=25.1"
	@$(PIP) install --editable . --group docs
	@touch $(VENV)/.installed $@

# The library for the demo; the command line program too for tests, as an independent run of a netlist.
$(VENV)/.ngspice: PACKAGES := libngspice0
$(VENV)/.ngspice: FOUND = $(BIN)/python -c 'import ctypes.util, os, sys; \
	sys.exit(not (os.environ.get("NGSPICE_LIBRARY_PATH") or ctypes.util.find_library("ngspice")))'
$(VENV)/.ngspice-test: PACKAGES := libngspice0 ngspice
$(VENV)/.ngspice-test: FOUND = command -v ngspice >/dev/null && ldconfig -p | grep -q libngspice
$(VENV)/.ngspice $(VENV)/.ngspice-test: | $(BIN)/python
	@if $(FOUND); then :; \
	elif command -v apt-get >/dev/null; then \
	  echo "Installing $(PACKAGES)"; $(APT) update; $(APT) install -y --no-install-recommends $(PACKAGES) >/dev/null \
	    || echo "ngspice could not be installed: simwrap runs on its embedded engine alone; \`make ngspice\` tries again"; \
	else \
	  echo "ngspice is not here: install it with \`dnf install libngspice\` (Fedora) or \`brew install libngspice\` (macOS); until then simwrap runs on its embedded engine"; \
	fi
	@touch $@
