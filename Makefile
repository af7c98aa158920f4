# One word per task; `make help` lists them. PYTHON=... names another Python than python3.

PYTHON ?= python3
BIN := .venv/bin

.DEFAULT_GOAL := help
# Bytecode that every process a test starts must make anew costs a fifth of a second each time.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help demo test quick lint coverage pythons stress bench studies fuzz docs pictures pins clean install install-docs install-dev install-fuzz

help: ## list what can be made
	@sed -n 's/^\([a-z-]*\):.*## /\1\t/p' Makefile | expand -t 12

demo: install ## make the demonstration shelf in ./demo-shelf and print the outcome; SERVE=1 opens the page on it
	@$(BIN)/indexhole demo --folder demo-shelf $(if $(SERVE),--serve) $(if $(YES),--yes)

# Matrices here are small: threads that wait for each other only cost time. A file of tests goes to one process, so that
# what it sets up is made once; the longest files start first.
RUN_TESTS = OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 $(BIN)/python -m pytest tests -n 2 --dist loadfile --no-loadscope-reorder

test: install-dev lint ## format, lint, types, import arrows, then every test; RECORD=1 records how long each took
	@$(RUN_TESTS) benchmarks --benchmark-disable --durations 12 $(if $(RECORD),--record-durations)

quick: install-dev lint ## the same without the tests that take long, for use while working
	@$(RUN_TESTS) --quick

coverage: install-dev ## run every test and show how much of the code they run: the ten worst files, and in all
	@mkdir -p build/coverage && rm -f build/coverage/data*
	@$(RUN_TESTS) --cov --cov-report= || echo "make: some tests failed; what ran is counted all the same" >&2
	@$(BIN)/coverage report --sort=cover | sed -n '1,12p;$$p'

pythons: ## run the quick tests on the oldest and the newest Python on the PATH, from 3.11 on
	@.ci/pythons

lint: install-dev ## the quick checks alone
	@$(BIN)/ruff format --check --quiet . && $(BIN)/ruff check --quiet . && $(BIN)/mypy && $(BIN)/lint-imports --no-logo

stress: install-dev ## many at one shelf at once, for SECONDS (120) on each kind of register; SEED sets what they do
	@INDEXHOLE_STRESS_S=$(or $(SECONDS),120) $(if $(SEED),INDEXHOLE_STRESS_SEED=$(SEED)) OMP_NUM_THREADS=1 \
	  $(BIN)/python -m pytest tests/project/test_stress.py

bench: install-dev ## measure speeds as ratios to floors measured in the same run
	@$(BIN)/python -m pytest benchmarks

studies: install-dev ## repeat the studies of docs/studies (hours; what is done is kept in build/studies)
	@mkdir -p build/studies
	@$(BIN)/python -m studies.degradation --state build/studies/degradation.json --out docs/studies
	@$(BIN)/python -m studies.calibration --out docs/studies
	@$(BIN)/python -m studies.identification --out docs/studies
	@$(BIN)/python -m studies.pairing_calibration --benches 48 --out docs/studies
	@$(BIN)/python -m studies.causes --state build/studies/causes.json --out docs/studies
	@$(BIN)/python -m studies.followed --out docs/studies
	@$(BIN)/python -m studies.lent --benches 300 --out docs/studies
	@$(BIN)/python -m studies.false_claims --count 1000000 --state build/studies/false-claims.json

fuzz: install-fuzz ## feed every reader of outside data what coverage chooses; SECONDS=60 each, ONLY="sheet plan"
	@.venv-fuzz/bin/python -m fuzz.run --seconds $(or $(SECONDS),60) $(ONLY)

docs: install-docs ## make these pages into a site with a search, in build/site; it needs no network
	@$(BIN)/python -m sphinx -q -W --keep-going -c docs/site -d build/doctrees . build/site
	@echo "The site is in build/site: open build/site/index.html"

pictures: install-dev ## make the pictures of the docs and the example in the README anew
	@$(BIN)/python docs/draw.py && $(BIN)/python docs/screens.py

pins: ## choose the newest versions for requirements/*.txt (needs uv)
	@command -v uv >/dev/null || { echo "make: pins need uv on the PATH" >&2; exit 1; }
	@cd requirements && for set in base docs dev fuzz; do \
	  uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	    --no-emit-find-links --no-annotate --no-header --upgrade $$set.in -o $$set.txt || exit 1; done

clean: ## remove .venv, .venv-fuzz, caches and build leavings; demo-shelf stays
	@rm -rf .venv .venv-fuzz build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache .benchmarks
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
	@rm -rf src/*.egg-info

install:
	@command -v $(PYTHON) >/dev/null || { echo "make: needs Python 3.11 or newer, and there is no $(PYTHON)" >&2; exit 1; }
	@$(PYTHON) requirements/install.py base

install-docs:
	@command -v $(PYTHON) >/dev/null || { echo "make: needs Python 3.11 or newer, and there is no $(PYTHON)" >&2; exit 1; }
	@$(PYTHON) requirements/install.py docs

install-dev:
	@command -v $(PYTHON) >/dev/null || { echo "make: needs Python 3.11 or newer, and there is no $(PYTHON)" >&2; exit 1; }
	@$(PYTHON) requirements/install.py dev

install-fuzz:
	@command -v $(PYTHON) >/dev/null || { echo "make: needs Python 3.11 or newer, and there is no $(PYTHON)" >&2; exit 1; }
	@$(PYTHON) requirements/install.py fuzz
