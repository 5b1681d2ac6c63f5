# Every job of the project. `make` alone lists them.
.DEFAULT_GOAL := help
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --no-input
ROOM ?= room.toml
# Tests wait for brokers, databases and browsers: one worker more than there are cores keeps the cores at work.
WORKERS ?= $(shell echo $$(( $$(getconf _NPROCESSORS_ONLN) + 1 )))
# Programs that the tests drive for real, and the Debian package of each.
PROGRAMS := chromium:chromium mosquitto:mosquitto mosquitto_passwd:mosquitto mosquitto_pub:mosquitto-clients \
  openssl:openssl initdb:postgresql nginx:nginx faketime:faketime

.PHONY: help install install-test system-packages demo run test check format bench truth pictures lock clean

help: ## list the jobs
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /\1\t/' | expand -t 18

install: $(VENV)/.installed ## install Wardian into .venv, hash-locked

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo 'Wardian needs Python 3.11 or newer; say which one with make PYTHON=python3.11 …' >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: requirements.lock pyproject.toml | $(VENV)/bin/python
	@echo 'Installing Wardian into $(VENV) …'
	@$(PIP) install --quiet --require-hashes -r requirements.lock
	@$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

install-test: $(VENV)/.installed-test ## install what the tests and checks need as well

$(VENV)/.installed-test: requirements-test.lock $(VENV)/.installed
	@echo 'Installing what the tests need into $(VENV) …'
	@$(PIP) install --quiet --require-hashes -r requirements-test.lock
	@touch $@

system-packages:
	@missing=; for pair in $(PROGRAMS); do \
	  PATH="$$PATH:/usr/sbin:$$(echo /usr/lib/postgresql/*/bin | tr ' ' :)" command -v $${pair%%:*} >/dev/null || missing="$$missing $${pair##*:}"; done; \
	[ -z "$$missing" ] && exit 0; \
	as_root=; [ "$$(id -u)" = 0 ] || as_root='sudo -n'; \
	if command -v apt-get >/dev/null && { [ -z "$$as_root" ] || sudo -n true 2>/dev/null; }; then \
	  echo "Installing$$missing …"; \
	  $$as_root apt-get update -qq && \
	  DEBIAN_FRONTEND=noninteractive $$as_root apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
	else echo "Not here and not installed, so not tested:$$missing"; fi

demo: install ## show a simulated room with faults at http://127.0.0.1:8780/
	@$(BIN)/wardian demo

run: install ## watch a real room: make run ROOM=room.toml
	@$(BIN)/wardian room apply --yes $(ROOM)
	@$(BIN)/wardian up

test: install-test system-packages ## run every test with real parts
	@$(BIN)/python -m pytest -n $(WORKERS) --dist loadfile --no-loadscope-reorder

check: install-test ## lint, types, import contracts
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/basedpyright --warnings
	@$(BIN)/lint-imports --no-logo

format: install-test ## put the code into the one format
	@$(BIN)/ruff check --fix .
	@$(BIN)/ruff format .

bench: install-test system-packages ## the performance figures, each beside its limit in the same run
	@$(BIN)/python -m tests.bench

truth: install-test ## the checks against simulated faults, as a table (about ten minutes)
	@$(BIN)/python -m tests.truth --write

pictures: install-test system-packages ## take the pictures of the guides anew, from the demo
	@$(BIN)/python -m tests.browser.pictures

lock: ## renew the lock files from pyproject.toml
	@$(PYTHON) -m venv $(VENV)-lock && $(VENV)-lock/bin/python -m pip install --quiet uv
	@for set in '' '-test'; do \
	  $(VENV)-lock/bin/uv pip compile --quiet --python-version 3.11 --universal --generate-hashes --upgrade \
	    --no-emit-index-url --no-header pyproject.toml --extra build $${set:+--extra test -c requirements.lock} \
	    -o requirements$$set.lock; done
	@rm -rf $(VENV)-lock

clean: ## remove what was made here: .venv, caches, demo data
	@rm -rf $(VENV) .pytest_cache .ruff_cache .hypothesis .import_linter_cache demo-data
