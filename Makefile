# One word per job. Needs make; on Debian what else is missing is installed, all of Python goes into .venv.

PYTHON ?= $(or $(shell command -v python3.11 || command -v python3),python3)
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check

# $(call step,what it does,command): says what it does, and how long it took.
step = @echo "== $(1)"; began=$$(date +%s); $(2); code=$$?; \
	echo "== $$([ $$code -eq 0 ] && echo done || echo "failed with code $$code") after $$(($$(date +%s) - began)) s"; \
	exit $$code

.PHONY: help setup packages demo serve test lint types samples evaluate bench bom clean

help:
	@echo "make demo      learn from and scan the sample logs; alerts, plots and profiles go to out/demo"
	@echo "make serve     the live service on the demo's stations and logs, at http://127.0.0.1:8470; Ctrl-C ends it"
	@echo "make test      ruff, mypy --strict and pytest"
	@echo "make lint      ruff alone"
	@echo "make types     mypy alone"
	@echo "make samples   make the sample logs anew with the proving plant"
	@echo "make evaluate  leave each world out in turn and train what ships; writes docs/evaluation.md"
	@echo "make bench     how fast learning and scanning are, beside a reference in the same run"
	@echo "make bom       what the service is made of (CycloneDX), to out/bom/steadyhead.cdx.json"
	@echo "make packages  what Debian has and the tests run for real: a browser, a database, brokers"
	@echo "make setup     the environment with all tools for working on the code"
	@echo "make clean     remove .venv and out/"

$(VENV)/.made:
	@bash .ci/packages demo
	@"$(PYTHON)" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
		|| { echo "Python 3.11 or newer is needed; set PYTHON=/path/to/python3.11" >&2; exit 1; }
	$(call step,creating the environment in $(VENV),"$(PYTHON)" -m venv $(VENV) && touch $@)

$(VENV)/.package: $(VENV)/.made pyproject.toml
	$(call step,installing the package and its libraries,$(PIP) --editable . && touch $@)

$(VENV)/.tools: $(VENV)/.made pyproject.toml
	$(call step,installing the package with the tools for tests,$(PIP) --editable '.[dev]' && touch $@ $(VENV)/.package)

setup: $(VENV)/.tools

# Scan ends with 1 because alerts are found, which here is the point of it; anything else is a failure.
demo: $(VENV)/.package
	$(call step,learning from and scanning sample_logs (the first run also compiles: up to a minute),\
		$(BIN)/steadyhead scan --learn --profiles out/demo/profiles --out out/demo; [ $$? -eq 1 ])
	@echo
	@echo "Look at out/demo/plots; out/demo/report.txt has every alert in full, out/demo/alerts.jsonl is for programs."

out/demo/profiles: | $(VENV)/.package
	$(call step,learning from sample_logs (the first run also compiles: up to a minute),\
		$(BIN)/steadyhead learn --profiles out/demo/profiles >/dev/null)

# Data and database go to out/serve; what the service says at its start tells how to make an account.
serve: $(VENV)/.package out/demo/profiles
	@$(BIN)/steadyhead serve --settings config/demo.yaml

packages:
	@bash .ci/packages test

lint: $(VENV)/.tools
	$(call step,ruff: rules and format,$(BIN)/ruff check && $(BIN)/ruff format --check)

types: $(VENV)/.tools
	$(call step,mypy --strict on src,$(BIN)/mypy --strict src)

# What the tests run for real comes first: a browser, a database, brokers.
test: packages lint types
	$(call step,pytest: fifteen to eighteen minutes,$(BIN)/python -m pytest -n auto --dist loadfile \
		--no-loadscope-reorder --durations 30)

samples: $(VENV)/.package
	$(call step,simulating the sample utility: about a minute,\
		$(BIN)/python -m steadyhead.proving_plant.sample_utility sample_logs)

# Editable, or the package itself would be copied and later changes to src/ not be seen.
others = $(call step,installing what to compare with,\
	$(PIP) --editable '.[bench]' || echo "== some of it cannot be installed; the figures say which")

evaluate: $(VENV)/.tools
	$(call step,watching the cases of all worlds and training anew: an hour or two,$(BIN)/python -m evaluation train)

bench: $(VENV)/.tools
	$(others)
	$(call step,measuring speed,$(BIN)/python benchmarks/speed.py)

# An environment of its own, without the tools for tests; the tool that lists it has another.
bom: $(VENV)/.made
	@rm -rf out/bom && mkdir -p out/bom && $(BIN)/python -m venv --without-pip out/bom/env && $(BIN)/python -m venv out/bom/tool
	@$(BIN)/python -c 'import tomllib; print(*tomllib.load(open("pyproject.toml", "rb"))["project"]["dependencies"], sep="\n")' \
		>out/bom/wanted.txt
	$(call step,installing the libraries of the service and the tool that lists them,\
		$(BIN)/python -m pip --quiet --disable-pip-version-check --python out/bom/env/bin/python install -r out/bom/wanted.txt \
		&& out/bom/tool/bin/python -m pip --quiet --disable-pip-version-check install cyclonedx-bom)
	$(call step,listing them in out/bom/steadyhead.cdx.json,\
		out/bom/tool/bin/cyclonedx-py environment --pyproject pyproject.toml -o out/bom/steadyhead.cdx.json out/bom/env/bin/python)
	@rm -rf out/bom/env out/bom/tool out/bom/wanted.txt

clean:
	rm -rf $(VENV) out
