# Every target works from a fresh clone with Python >= 3.11, git and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
LOCK := --quiet --universal --generate-hashes --no-emit-index-url --python-version 3.11 --custom-compile-command "make lock"

.PHONY: setup install demo test bench evaluate check screenshots reference lock packages sbom audit-dependencies fuzz

setup: $(VENV)/ready

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Turnbell needs Python 3.11 or newer; set PYTHON=python3.12 or the like"; exit 1; }
	@$(PYTHON) -m venv $(VENV) || { echo "python3 cannot make a virtual environment; on Debian or Ubuntu: apt-get install python3-venv"; exit 1; }

$(VENV)/ready: requirements.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@

# On the machine that it is to run on: what the service needs and nothing else, PostgreSQL's driver included.
install: | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r deploy/files/requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .

demo: setup
	$(BIN)/turnbell demo

# Debian packages that the tests use; installs them where this account may, else says which are missing.
packages:
	@sh deploy/files/debian-packages.sh

# The tests start the program a hundred times: with compiled files, also where the environment says to write none.
test: export PYTHONDONTWRITEBYTECODE :=
test: setup packages
	$(BIN)/python -m pytest --numprocesses 3 --dist worksteal

check: setup
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: setup
	@$(BIN)/python -m tests.bench

# How good the outlook and the turn finder are: build/evaluation/report.md, in some minutes.
evaluate: setup
	@$(BIN)/python -m tests.evaluate build/evaluation

screenshots: setup packages
	$(BIN)/python -m tests.screenshots
	$(BIN)/python -m tests.screenshots.curves

# The pages of shared/help that the program writes about itself.
reference: setup
	$(BIN)/python -m tests.docs.reference

# A bill of materials (CycloneDX) of everything that is locked.
sbom: setup
	@mkdir -p build
	$(BIN)/cyclonedx-py requirements requirements.lock --pyproject pyproject.toml --short-PURLs --output-reproducible --of JSON -o build/sbom.json

# Known holes in what is locked; asks the public list, so it needs the network. Strict: what could not be asked about is
# no good news.
audit-dependencies: setup
	@$(BIN)/pip-audit --requirement requirements.lock --require-hashes --disable-pip --progress-spinner off --strict || { echo "A hole above: take in the newer library (make lock). No hole, but an error: the public list was not reached, and nothing is known."; exit 1; }

# The long forms of the fuzzers, ten minutes each; the suite walks a little of each.
fuzz: setup
	$(BIN)/python -m tests.security.fuzz_files 600
	$(BIN)/python -m tests.security.fuzz_api 600

# Two locks of the same versions: everything, and what the service alone needs.
lock: setup
	$(BIN)/uv pip compile $(LOCK) --extra dev -o requirements.lock pyproject.toml
	echo "setuptools>=77" | $(BIN)/uv pip compile $(LOCK) --extra postgresql --constraint requirements.lock -o deploy/files/requirements.lock pyproject.toml -
