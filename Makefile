# Stillseason: set-up, the review, the tests. `make help` lists the targets.
#
# Everything is installed into $(VENV) from the hash-locked files of this folder, and nothing elsewhere. Stamp files inside
# $(VENV), newer than the lock and pyproject.toml, say what is already there, so that a second run installs nothing.

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: help review test lint bench sample docs calibrate calibrate-balance calibrate-cuts calibrate-panel picture lock clean clean-venv

VENV ?= .venv
LOGS ?= sample_logs
OUT ?= reports
PYTHON ?=
PYTEST_ARGS ?=
PICTURE_SIZE ?= 1180,1960
UV := $(shell command -v uv 2>/dev/null)

BIN := $(VENV)/bin
PY := $(BIN)/python
RUN_STAMP := $(VENV)/.stillseason-run
DEV_STAMP := $(VENV)/.stillseason-dev

# A chosen interpreter is tried alone; otherwise the first of the usual names that runs and is new enough. Each is run,
# because a name on the path may be a shim that leads nowhere.
CANDIDATES := $(if $(PYTHON),$(PYTHON),python3.13 python3.12 python3.11 python3 python python3.14)
NEW_ENOUGH := import sys; sys.exit(sys.version_info < (3, 11))

# Installs what one lock file names, hashes checked. pip is told to take wheels only: nothing is compiled on the way.
install_lock = $(if $(UV),$(UV) pip install --quiet --python $(PY) --require-hashes --only-binary :all: -r $(1),$(PY) -m pip install --quiet --disable-pip-version-check --no-input --require-hashes --only-binary :all: -r $(1))
# The project itself, editable, built by the hatchling that the lock has just installed.
install_project = $(if $(UV),$(UV) pip install --quiet --python $(PY) --no-index --no-deps --no-build-isolation -e .,$(PY) -m pip install --quiet --disable-pip-version-check --no-input --no-index --no-deps --no-build-isolation -e .)

help: ## list these targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-11s %s\n", $$1, $$2 }' Makefile
	@echo
	@echo "  PYTHON=python3.12 chooses the interpreter, LOGS=folder the logs of make review, OUT=folder where its report goes."

review: $(RUN_STAMP) ## set up, then write the season report of LOGS (sample_logs) into OUT (reports)
	@$(BIN)/stillseason review $(LOGS) --out $(OUT)

test: $(DEV_STAMP) lint ## set up, then check style and types and run the tests
	@$(BIN)/python -m pytest -n auto --dist loadfile --benchmark-disable $(PYTEST_ARGS)

lint: $(DEV_STAMP) ## style and types only
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy

bench: $(DEV_STAMP) ## measure speed; asserts nothing about time
	@$(BIN)/python -m pytest tests/bench -p no:xdist --benchmark-only --benchmark-columns=min,median,max,rounds $(PYTEST_ARGS)

sample: $(RUN_STAMP) ## simulate sample_logs anew and write its report into reports
	@fresh=$$(mktemp -d); trap 'rm -rf "$$fresh"' EXIT; \
	$(BIN)/stillseason simulate --batches 48 --seed 2025 --out "$$fresh/season" && \
	find sample_logs -type f ! -name README.md -exec rm {} + && cp -R "$$fresh/season/." sample_logs/
	@$(BIN)/stillseason review sample_logs --out reports

docs: $(RUN_STAMP) ## rebuild the generated parts of README.md and DEVELOPERS.md
	@$(BIN)/python -m pipeline.documentation

calibrate: $(DEV_STAMP) ## hold the fits to account over 3,000 invented seasons and write the table into DEVELOPERS.md
	@OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pipeline.fits.calibrate --docs DEVELOPERS.md

calibrate-panel: $(DEV_STAMP) ## count how often the panel's intervals keep their word, 1,000 panels of each kind
	@OPENBLAS_NUM_THREADS=1 PYTHONPATH=. $(BIN)/python tests/panel/calibrate.py 1000

calibrate-balance: $(DEV_STAMP) ## count false alarms, coverage and found mistakes of the reconciliation and write them into DEVELOPERS.md
	@OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pipeline.reconcile.calibrate --docs DEVELOPERS.md

calibrate-cuts: $(DEV_STAMP) ## count what the cuts' fits and charts promise and write it into DEVELOPERS.md
	@OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pipeline.cuts.calibration --docs DEVELOPERS.md

picture: ## take README.md's picture from the committed report (needs Chromium)
	@browser=$$(command -v chromium || command -v chromium-browser || command -v google-chrome) || { \
	  echo "make picture needs Chromium." >&2; exit 2; }; \
	page=$$(ls reports/*/index.html | head -n 1); profile=$$(mktemp -d); trap 'rm -rf "$$profile"' EXIT; \
	$$browser --headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking \
	  --disable-component-update --disable-sync --user-data-dir="$$profile" --hide-scrollbars \
	  --window-size=$(PICTURE_SIZE) --virtual-time-budget=10000 --screenshot=reports/season.png "file://$(CURDIR)/$$page" 2>/dev/null
	@ls -l reports/season.png

lock: ## choose versions anew and write the two lock files (needs uv)
	@uv="$(UV)"; [ -n "$$uv" ] || uv=$$(command -v $(BIN)/uv) || { \
	  echo "make lock needs uv: pip install uv, then run it again." >&2; exit 2; }; \
	compile="$$uv pip compile --quiet --universal --fork-strategy fewest --python-version 3.11 --only-binary :all: \
	  --generate-hashes --upgrade --no-emit-index-url --no-emit-find-links --custom-compile-command"; \
	awk '/^requires = / { gsub(/^requires = \[|\]$$|"/, ""); gsub(/, */, "\n"); print }' pyproject.toml > .lock-build.tmp; \
	trap 'rm -f .lock-build.tmp' EXIT; \
	$$compile "make lock" --no-annotate pyproject.toml .lock-build.tmp -o requirements.lock && \
	$$compile "make lock" --no-annotate pyproject.toml --extra dev .lock-build.tmp -c requirements.lock -o requirements-dev.lock
	@wc -c requirements.lock requirements-dev.lock

clean: ## remove caches and build leavings (not .venv, logs or reports)
	rm -rf build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis .benchmarks
	find pipeline tests -name __pycache__ -type d -prune -exec rm -rf {} +

clean-venv: ## remove .venv as well
	rm -rf $(VENV)

$(RUN_STAMP): requirements.lock pyproject.toml
	@if [ -x $(PY) ] && $(PY) -c '$(NEW_ENOUGH)' 2>/dev/null; then \
	  [ -z "$(PYTHON)" ] || [ "$$($(PY) -c 'import sys; print(sys.version_info[:2])')" = "$$($(PYTHON) -c 'import sys; print(sys.version_info[:2])')" ] || { \
	    echo "$(VENV) holds another Python than $(PYTHON). Remove it (make clean-venv) and run this again." >&2; exit 2; }; \
	else \
	  chosen=; \
	  for name in $(CANDIDATES); do \
	    if $$name -c '$(NEW_ENOUGH)' >/dev/null 2>&1; then chosen=$$name; break; fi; \
	  done; \
	  [ -n "$$chosen" ] || { \
	    echo "No Python 3.11 or newer found (tried: $(CANDIDATES)). Install one, or name it: make review PYTHON=/path/to/python3." >&2; exit 2; }; \
	  echo "Setting up $(VENV) with $$($$chosen --version) ..." >&2; \
	  rm -rf $(VENV); \
	  if [ -n "$(UV)" ]; then $(UV) venv --quiet --seed --python "$$chosen" $(VENV); \
	  else $$chosen -m venv $(VENV) || { \
	    echo "$$chosen cannot make a virtual environment: it lacks venv or pip. On Debian or Ubuntu: apt-get install python3-venv python3-pip. Or install uv." >&2; \
	    rm -rf $(VENV); exit 2; }; fi; \
	fi
	@echo "Installing what a review needs (requirements.lock) ..." >&2
	@$(call install_lock,requirements.lock)
	@$(install_project)
	@touch $@

$(DEV_STAMP): requirements-dev.lock $(RUN_STAMP)
	@echo "Installing what the tests need (requirements-dev.lock) ..." >&2
	@$(call install_lock,requirements-dev.lock)
	@touch $@
