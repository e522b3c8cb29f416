# Every target sets up what it needs: a virtual environment in .venv, once, again when the dependencies change.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
export PIP_DISABLE_PIP_VERSION_CHECK := 1
# Nothing is kept outside this folder; who installs often says PIP_NO_CACHE_DIR= (empty: pip takes 0 for yes).
export PIP_NO_CACHE_DIR ?= 1

# Tests start hundreds of processes; none of them need compile our sources again.
unexport PYTHONDONTWRITEBYTECODE

BIN := .venv/bin
READY := .venv/.installed
PACKAGES := shared/platerota_shared solver/platerota_solver service/platerota_service
# Tests of the service that start whole fleets: beside the shortest part, so that all parts of `make test` take about as long.
FLEETS := $(addprefix service/tests/test_,docker.py fleet.py kills.py)
# The first of these that is 3.11 or newer and can make virtual environments is used.
PYTHON ?= python3.11 python3.12 python3.13 python3

.PHONY: help demo test fuzz lint bench bench-quick bench-pages pictures nightly openapi proof mutants weeks soak coverage wheel clean-machine clean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-12s %s\n", $$1, $$2 }' $(firstword $(MAKEFILE_LIST))

.venv/bin/python:
	@for python in $(PYTHON); do \
		if $$python -c 'import ensurepip, sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then \
			$$python -m venv .venv; exit 0; \
		fi; \
	done; \
	echo "No Python 3.11 or newer with venv was found. On Debian: apt-get install python3 python3-venv; else make PYTHON=/path/to/python3" >&2; \
	exit 1

$(READY): pyproject.toml constraints.txt | .venv/bin/python
	$(BIN)/python -m pip install --quiet --editable '.[service,solver,dev]' --constraint constraints.txt
	@echo "compiling the solver for this machine, once (two to three minutes)"; $(BIN)/python -c "from platerota_solver import warm; warm()"
	@touch $@

demo: $(READY) ## plan the demo week, print it, draw it beside
	$(BIN)/platerota demo

test: $(READY) ## run every test but the nightly ones, in three parts side by side
	@export TMPDIR=$$(mktemp -d); chmod a+x "$$TMPDIR"; trap 'kill $$(jobs -pr) 2>/dev/null || true' EXIT; \
	run() { $(BIN)/python -m pytest --quiet -m 'not nightly' "$$@"; }; code=0; \
	run solver shared >.tests-of-solver 2>&1 & solver=$$!; run api-tests $(FLEETS) >.tests-of-api 2>&1 & api=$$!; \
	run service $(FLEETS:%=--ignore=%) || code=$$?; \
	wait $$solver || code=1; wait $$api || code=1; \
	for part in solver api; do cat ".tests-of-$$part"; rm ".tests-of-$$part"; done; \
	if ((code)); then echo "what the tests wrote is in $$TMPDIR"; else rm -rf "$$TMPDIR"; fi; exit $$code

fuzz: $(READY) ## send every call of the API made-up requests, FUZZ_REQUESTS=100000 of them where nothing else is said (half an hour)
	FUZZ_REQUESTS=$${FUZZ_REQUESTS:-100000} nice -n 19 $(BIN)/python -m pytest --quiet -s --timeout 0 api-tests/test_fuzz.py

weeks: $(READY) ## plan and audit 20,000 generated weeks of every mix of features (hours; OPTIONS="--weeks 500 --from 1 --processes 2")
	PYTHONPATH=solver nice -n 19 $(BIN)/python -m benchmarks.weeks $(OPTIONS)

soak: $(READY) ## half an hour of mixed load on a service of its own while things are killed (SOAK_MINUTES=30; OPTIONS="--sqlite")
	PYTHONPATH=service:solver $(BIN)/python service/benchmarks/soak.py $(OPTIONS)

lint: $(READY) ## ruff, mypy, pyright, import directions
	$(BIN)/ruff check
	for package in $(PACKAGES); do $(BIN)/mypy "$$package"; done
	MYPYPATH=solver $(BIN)/mypy --package benchmarks
	MYPYPATH=solver:service $(BIN)/mypy --package page_tools
	MYPYPATH=shared $(BIN)/mypy --package proof_tools
	$(BIN)/pyright
	$(BIN)/lint-imports

bench: $(READY) ## measure everything against the goals (hours: it says how many first; OPTIONS="--parts solve --family medium --seeds 3")
	PYTHONPATH=solver $(BIN)/python -m benchmarks $(OPTIONS)

bench-quick: $(READY) ## the same on small samples, in less than five minutes
	PYTHONPATH=solver $(BIN)/python -m benchmarks --quick $(OPTIONS)

bench-pages: $(READY) ## how fast and large the board of 600 runs is (about a minute; needs Chromium)
	PYTHONPATH=solver:service $(BIN)/python -m page_tools.measure

pictures: demo ## take the pictures of the README anew, from the demo week (needs Chromium)
	PYTHONPATH=service $(BIN)/python -m page_tools.pictures
	cp demo-week.svg service/pictures/week.svg

nightly: $(READY) ## run the long tests: properties, kills, load
	$(BIN)/python -m pytest --quiet -m nightly --timeout 7200

openapi: $(READY) ## write the stored API description, service/openapi.json
	$(BIN)/python -m platerota_service.description > service/openapi.json

proof: $(READY) ## check against every outside source, and write what agreed: shared/outside-proof.md
	$(BIN)/python -m pytest --quiet -m 'outside or last' --write-proof

mutants: $(READY) ## sow faults into the audit and count those its tests notice (a quarter of an hour; a sample: OPTIONS="--every 10")
	PYTHONPATH=shared $(BIN)/python -m proof_tools.mutants $(OPTIONS)

coverage: $(READY) ## measure the branches that the tests of each package reach (half an hour); compiled functions are left out
	$(BIN)/python -m coverage erase
	@code=0; $(BIN)/python -m coverage run -m pytest --quiet -m 'not nightly' || code=1; \
	$(BIN)/python -m coverage combine --quiet; \
	$(BIN)/python -m coverage report --skip-covered --show-missing; \
	$(BIN)/python -m coverage json --quiet -o - | PYTHONPATH=shared $(BIN)/python -m proof_tools.branches || code=1; exit $$code

wheel: $(READY) ## build the wheel into dist
	$(BIN)/python -m hatchling build --target wheel

clean-machine: ## make demo and an uninstall in a minimal Debian made for it (root; other Pythons and more: OPTIONS="--help")
	bash .ci/clean-machine $(OPTIONS)

clean: ## remove the environment, caches and what was built
	rm -rf .venv dist build .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache .coverage*
	find shared solver service api-tests -name __pycache__ -prune -exec rm -rf {} +
