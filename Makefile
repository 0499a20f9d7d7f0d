# underneath: `make demo` and `make test` each set up what they need.
PYTHON ?= python3.11
VENV   := .venv
BIN    := $(VENV)/bin
STAMP  := $(VENV)/.ready
OUT    ?= demo_out

export OMP_WAIT_POLICY ?= PASSIVE
export YOLO_AUTOINSTALL ?= false
export YOLO_OFFLINE ?= true

.PHONY: setup demo test test-slow check demo-media clean

setup: $(STAMP)

$(STAMP): pyproject.toml constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[dev]"
	touch $(STAMP)

demo: setup
	$(BIN)/python -m vision.demo demo_media $(OUT)

test: setup check
	$(BIN)/python -m pytest

test-slow: setup
	$(BIN)/python -m pytest -m slow

check: setup
	$(BIN)/ruff check .
	$(BIN)/mypy

demo-media: setup
	$(BIN)/python -m models.synthetic.demo demo_media

clean:
	rm -rf $(OUT) .mypy_cache .ruff_cache .pytest_cache
