# Two commands set everything up: `make demo` and `make test`. Nothing is installed outside .venv.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: install demo test look thorough lint slow coverage mutants calibrate calibrated scale scale-practice lock clean

# The locked packages first, then the project itself: the same versions on every machine.
$(VENV)/installed: requirements.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

# For a practice: what runs, and nothing to test, draw or build with.
install:
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-run.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps .

demo: $(VENV)/installed
	$(BIN)/toothyears demo --out out

# Each worker, and each process that a test starts, reads what the first one compiled, whatever the environment says of
# writing that.
test look thorough slow calibrated: export PYTHONDONTWRITEBYTECODE =

# A file of tests to a worker, in the order that tests/conftest.py gives them.
BY_FILE := --dist loadscope --no-loadscope-reorder

test: $(VENV)/installed
	$(BIN)/python -m pytest -n 2 $(BY_FILE)

# What is looked at is shared by all workers, so that each test may go to any of them.
look: $(VENV)/installed
	$(BIN)/python -m pytest -n 3 --dist worksteal -m "look and not slow"

thorough: $(VENV)/installed
	$(BIN)/python -m pytest -n 2 $(BY_FILE) -m "(thorough or r) and not (slow or look)"

lint: $(VENV)/installed
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo --no-cache

slow: $(VENV)/installed
	$(BIN)/python -m pytest -m slow
	THOROUGH=1 $(BIN)/python -m pytest -n 2 --dist loadscope tests/transforms tests/fuzz \
	  tests/dashboards/test_dash_pages.py tests/dashboards/test_dash_slides.py

# Which lines and branches the tests of `make test` and `make thorough` pass through; half an hour on two cores. What is
# below the bound in pyproject.toml ends it.
coverage: $(VENV)/installed
	$(BIN)/coverage erase
	$(BIN)/coverage run -m pytest -n 2 $(BY_FILE) -m "not (slow or look)"
	$(BIN)/coverage combine --quiet
	$(BIN)/coverage report --skip-covered --sort=miss

# Renews tests/mutants/scores.csv; hours, see tests/mutants/README.md. `make mutants MODULES="crowns verdict"` takes some.
mutants: $(VENV)/installed
	$(BIN)/python -m tests.mutants --jobs 2 $(MODULES)

# Renews pipeline/data/calibration.csv; see tests/calibration/README.md.
calibrate: $(VENV)/installed
	$(BIN)/python -m tests.calibration

# A small run of it held against the shipped table; a change that breaks what that says ends here.
calibrated: $(VENV)/installed
	$(BIN)/python -m tests.calibration --held --practices 60

# Renews tests/benchmarks/scale/README.md; an hour with R and pandas beside it, on a machine that does nothing else. The
# second does so for the sizes of practices alone, in some minutes.
scale: $(VENV)/installed
	$(BIN)/python -m tests.benchmarks.scale --with-100
scale-practice: $(VENV)/installed
	$(BIN)/python -m tests.benchmarks.scale --rows 0.03 0.1 0.3

# Needs `uv` on the path; run after changing the dependencies in pyproject.toml.
lock:
	uv pip compile pyproject.toml --extra test --extra build --universal --python-version 3.11 \
	  --generate-hashes --no-header --no-emit-index-url --quiet -o requirements.lock
	uv pip compile pyproject.toml --universal --python-version 3.11 --constraint requirements.lock \
	  --generate-hashes --no-header --no-emit-index-url --quiet -o requirements-run.lock
	$(PYTHON) .ci/bill_of_materials.py

clean:
	rm -rf $(VENV) out
