# make lab         create the environment and open the lab in the browser
# make test        create what the tests need and run every check
# make mutants     plant known faults one at a time and say which the tests notice
# make benchmark   time the solver beside other routes
# make docs        build the documentation into build/docs
# make screenshots write pictures of the pages to screenshots/
# make clean       remove everything that the targets above created

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALL := $(BIN)/python -m pip install --quiet --constraint constraints.txt

# Worker processes of the test run: one a core, and no more than pays off.
WORKERS ?= auto
PYTEST_OPTIONS ?=
MUTANT_WORKERS ?= 2
MUTANT_OPTIONS ?=

export PIP_DISABLE_PIP_VERSION_CHECK := 1
# The build backend runs in an environment of its own; older and newer pips take its pins from different variables.
export PIP_CONSTRAINT := constraints.txt
export PIP_BUILD_CONSTRAINT := constraints.txt

.DEFAULT_GOAL := lab
.PHONY: lab test mutants benchmark docs screenshots clean

lab: $(VENV)/.lab-installed
	$(BIN)/labkit open

test: $(VENV)/.test-installed
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports
	$(BIN)/mypy
	$(BIN)/python -m pytest -n $(WORKERS) --maxprocesses 8 --no-loadscope-reorder \
		--durations 40 --ignore tests/benchmarks $(PYTEST_OPTIONS)

# Works in copies of the checkout. MUTANT_OPTIONS takes words of faults or modules, for some of the list.
mutants: $(VENV)/.test-installed
	$(BIN)/python -m tests.mutants --workers $(MUTANT_WORKERS) $(MUTANT_OPTIONS)

# The options of pyproject.toml skip benchmarks; here they are the only thing that runs.
benchmark: $(VENV)/.test-installed
	$(BIN)/python -m pytest tests/benchmarks -o addopts="--strict-markers --strict-config" --benchmark-only \
		--benchmark-columns=min,median,rounds --benchmark-sort=mean --benchmark-group-by=group $(PYTEST_OPTIONS)

# Warnings are errors; the pages need no network to be read.
docs: $(VENV)/.test-installed
	$(BIN)/python -m sphinx -q -n -W --keep-going -b html docs build/docs
	@echo "open build/docs/index.html"

screenshots: $(VENV)/.test-installed
	$(BIN)/python -m tests.browser.pictures

clean:
	rm -rf $(VENV) build dist screenshots *.egg-info .pytest_cache .mypy_cache .ruff_cache .import_linter_cache \
		.hypothesis .benchmarks
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "labkit needs Python 3.11 or newer; '$(PYTHON)' is missing or older. Name another one: make lab PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
		{ echo "'$(PYTHON)' has no venv module. Install it (Debian and Ubuntu: apt-get install python3-venv)." >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)

# The stamps record what was installed last: a repeated run installs nothing until one of these two files changes.
$(VENV)/.lab-installed: pyproject.toml constraints.txt | $(BIN)/python
	$(INSTALL) --editable .
	@touch $@

# The test environment contains the lab's, so it settles both stamps. Most of its modules are never imported, so they
# are compiled when they are: that saves continuous integration half a minute.
$(VENV)/.test-installed: pyproject.toml constraints.txt | $(BIN)/python
	$(INSTALL) --no-compile --editable '.[test]'
	@touch $(VENV)/.lab-installed $@
