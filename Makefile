# Two commands: `make demo` diagnoses a faulty boot, `make test` runs every check.
# Both make their own environment in .venv first. PYTHON chooses the interpreter.
# The demo's board is faulty, so that bustrace ends with code 1 there: a fault was found.

PYTHON ?= python3
VENV := .venv
OUT ?= demo-out
BOARD := fixtures/tide_gauge/board.toml
BOOT := fixtures/tide_gauge_ram_a1_open/capture.tsv

.PHONY: demo test check clean

demo: $(VENV)/.installed
	@test -d $(OUT) || $(VENV)/bin/python -c 'import os; os.makedirs("$(OUT)")'
	@echo '$$ bustrace diagnose $(BOOT) --board $(BOARD) --picture $(OUT)/timeline.png'; \
	  $(VENV)/bin/bustrace diagnose $(BOOT) --board $(BOARD) --picture $(OUT)/timeline.png; \
	  code=$$?; test $$code -eq 1 || exit 1

test: $(VENV)/.installed-test
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/mypy
	$(VENV)/bin/python -m pytest $(PYTEST_ARGS)

# The interpreter is looked at before anything is built, so that a missing or old Python, or a
# missing venv module, is named in one line.
check:
	@command -v "$(firstword $(PYTHON))" >/dev/null || { echo "There is no $(PYTHON) here. bustrace needs Python 3.11 or newer; name it: make PYTHON=python3.12 demo" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "bustrace needs Python 3.11 or newer; this is " + sys.version.split()[0] + ". Try: make PYTHON=python3.12 demo")'
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || { echo "This Python has no venv module. On Debian or Ubuntu: apt install python3-venv" >&2; exit 1; }

$(VENV)/.installed: pyproject.toml | check
	@test -x $(VENV)/bin/pip || $(PYTHON) -m venv $(VENV)
	@echo "Installing into $(VENV) ..." >&2
	@$(VENV)/bin/python -m pip install --quiet --disable-pip-version-check --editable .
	@: > $@

$(VENV)/.installed-test: $(VENV)/.installed
	@$(VENV)/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
	@: > $@

clean:
	rm -rf $(VENV) $(OUT) build *.egg-info
