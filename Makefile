# Words of the project. `make` with no word says what there is.
PYTHON ?= python3
SEASON ?= demo_season
MONTH ?=
VENV := .venv
BIN := $(VENV)/bin
export OMP_NUM_THREADS ?= 1

.DEFAULT_GOAL := help
.PHONY: help env review test lint format types lab lock study-env study-milk study-setting study-label \
	calibration reference benchmarks wheel demo clean

help: ## what there is
	@echo "make WORD, with one of:"
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/  \1\t\2/p' Makefile | expand -t 20
	@echo "settings: SEASON=folder (default demo_season)  MONTH=YYYY-MM (default the newest with records)"

$(BIN)/.ready: requirements/test.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or newer is needed; name one with make PYTHON=python3.12 …"; exit 2; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV) || \
		{ echo "This Python cannot make environments: install its venv package"; exit 2; }
	@echo "Setting up the environment in $(VENV) (once, a minute or two) …"
	@$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements/test.txt
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps -e .
	@touch $@

env: $(BIN)/.ready ## set up .venv from the lock file

# The demo holds rows that are set aside, so its review ends with status 1: shown, and done.
review: $(BIN)/.ready ## the monthly review of SEASON (the invented demo by default)
	@$(BIN)/pasturepot review $(SEASON) $(if $(MONTH),--month $(MONTH)) || { s=$$?; test $$s -eq 1 && \
		echo "Done; the records hold rows that were set aside: pasturepot check $(SEASON) names them." || exit $$s; }

test: $(BIN)/.ready ## all tests but the long studies
	@$(BIN)/python -m pytest -q -n 2

lint: $(BIN)/.ready ## style and format
	@$(BIN)/ruff check analysis tests
	@$(BIN)/ruff format --check analysis tests

format: $(BIN)/.ready ## put files into the project's format
	@$(BIN)/ruff check --fix-only -q analysis tests
	@$(BIN)/ruff format -q analysis tests

types: $(BIN)/.ready ## types of the package
	@$(BIN)/mypy

lab: $(BIN)/.ready ## open the notebooks in JupyterLab
	@$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements/lab.txt
	@$(BIN)/jupyter lab notebooks

.venv-study/.ready: requirements/study.txt
	@test -x .venv-study/bin/python || $(PYTHON) -m venv .venv-study
	@.venv-study/bin/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements/study.txt
	@.venv-study/bin/python -m pip install -q --disable-pip-version-check --no-deps -e .
	@touch $@

study-env: .venv-study/.ready ## set up the environment of the long studies

study-milk: .venv-study/.ready ## milk forecasts on 60 invented dairies, with peers and oracle (long: DAIRIES=200)
	@.venv-study/bin/python -m tests.simulation.study_milk --dairies $(or $(DAIRIES),60)

study-setting: $(BIN)/.ready ## set times on invented vats
	@$(BIN)/python -m tests.simulation.study_setting --dairies $(or $(DAIRIES),30)

study-label: $(BIN)/.ready ## label decisions on invented dairies
	@$(BIN)/python -m tests.simulation.study_label --dairies $(or $(DAIRIES),20)

calibration: $(BIN)/.ready ## simulation-based calibration of the regression with drift
	@$(BIN)/python -m tests.simulation.calibration_sbc --n $(or $(N),100)

reference: .venv-study/.ready ## the same regression sampled by NUTS
	@.venv-study/bin/python -m tests.simulation.reference_pymc

benchmarks: $(BIN)/.ready ## speed of the milk room, as ratios taken in one run
	@$(BIN)/python -m tests.benchmarks.milk_speed

demo: $(BIN)/.ready ## write the invented demo season anew (identical bytes)
	@$(BIN)/python -m tests.simulation.make_demo

wheel: $(BIN)/.ready ## a wheel that carries notebooks, schemas and rulebooks
	@$(BIN)/python -m pip wheel -q --no-deps -w dist .

lock: ## write the lock files anew (needs uv)
	uv pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header -q -o requirements/review.txt
	uv pip compile pyproject.toml --group test --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header -q -c requirements/review.txt -o requirements/test.txt
	uv pip compile pyproject.toml --group test --group study --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header -q -o requirements/study.txt
	uv pip compile pyproject.toml --group lab --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header -q -c requirements/review.txt -o requirements/lab.txt

clean: ## remove what can be made again (not records, not reviews of your own)
	rm -rf build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
