# make demo   read the sample clips into tables and pages
# make test   lint, types and tests
# make lint   lint and types alone
# make bench  read the sample clips and score them against their truth
# make train-detector, train-ball-look, train-hop-look
#             train weights anew into runs/, on a graphics card with DEVICE=cuda (see their cards)
#
# The first run makes .venv and installs into it, by whatever pip is configured for here; a stamp
# in .venv keeps later runs from doing it again until pyproject.toml changes.

PYTHON ?= $(shell for name in python3.12 python3.11 python3.13 python3; do \
	$$name -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
	&& echo $$name && break; done)
VENV := .venv
BIN := $(VENV)/bin
OUT ?= outputs
CLIPS ?= sample_clips

DEVICE ?= cpu
RUNS ?= runs
RENDERED := $(RUNS)/looks/films
WORLDS ?= 2260

.PHONY: demo test lint bench clean train-detector train-ball-look train-hop-look look-films
.DEFAULT_GOAL := demo

demo: $(VENV)/.installed-demo
	$(BIN)/rallymill process $(CLIPS) --out $(OUT)
	@echo
	@echo "Tables: $(OUT)/matches/<match>/*.parquet, one row a match in $(OUT)/matches.parquet"
	@echo "Pages:  open one of these in a browser"
	@find $(OUT) -name '*.html' | sort | sed 's/^/  /'

test: lint
	$(BIN)/pytest -n 2

lint: $(VENV)/.installed-test
	$(BIN)/ruff check pipeline tests models
	$(BIN)/mypy

bench: $(VENV)/.installed-test
	$(BIN)/rallymill process $(CLIPS) --out $(OUT)
	$(BIN)/rallymill score $(OUT) $(CLIPS)

train-detector: $(VENV)/.installed-test
	$(BIN)/python models/detector/train.py render --out $(RUNS)/detector/val \
		--first-seed 100000 --pictures 600 --tiles 1
	$(BIN)/python models/detector/train.py render --out $(RUNS)/detector/train \
		--first-seed 6000 --pictures 12900
	$(BIN)/python models/detector/train.py train --data $(RUNS)/detector --device $(DEVICE) \
		--out $(RUNS)/detector/weights.pt --start models/detector/weights.pt --minutes 21
	$(BIN)/python models/detector/train.py export $(RUNS)/detector/weights.pt

look-films: $(VENV)/.installed-test
	$(BIN)/python models/shots.py --balls $(RUNS)/looks/ball --hops $(RUNS)/looks/hop \
		--first-seed 70000 --count $(WORLDS) --device $(DEVICE)
	$(BIN)/python models/ball_look/train.py render --out $(RENDERED) --first-seed 100700 \
		--count 28 --seconds 5

train-ball-look: look-films
	$(BIN)/python models/ball_look/train.py collect $(RENDERED) --out $(RUNS)/looks/ball-held \
		--share 0.35 --device $(DEVICE)
	$(BIN)/python models/ball_look/train.py train --wide --looks $(RUNS)/looks/ball \
		--validation $(RUNS)/looks/ball-held --out $(RUNS)/looks/ball.pt --device $(DEVICE)
	$(BIN)/python models/ball_look/train.py export --wide $(RUNS)/looks/ball.pt \
		--validation $(RUNS)/looks/ball-held --out $(RUNS)/looks/ball.onnx

train-hop-look: look-films
	$(BIN)/python models/hop_look/train.py collect $(RENDERED) --out $(RUNS)/looks/hop-held
	$(BIN)/python models/hop_look/train.py train --wide --looks $(RUNS)/looks/hop \
		--validation $(RUNS)/looks/hop-held --out $(RUNS)/looks/hop.pt --device $(DEVICE)
	$(BIN)/python models/hop_look/train.py export --wide $(RUNS)/looks/hop.pt \
		--validation $(RUNS)/looks/hop-held --out $(RUNS)/looks/hop.onnx

clean:
	rm -rf $(VENV)

$(BIN)/python:
	@test -n "$(PYTHON)" || { \
		echo "rallymill needs Python 3.11 or newer, found: $$(python3 --version 2>&1)."; \
		echo "Install one and run: make PYTHON=/path/to/python3.11"; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
		echo "$(PYTHON) is $$($(PYTHON) --version 2>&1), rallymill needs 3.11 or newer."; exit 1; }
	@$(PYTHON) -m venv $(VENV) || { \
		echo "The venv module is missing; on Debian: apt-get install python3-venv"; exit 1; }

$(VENV)/.installed-demo: pyproject.toml | $(BIN)/python
	@echo "Installing rallymill into $(VENV) (some gigabytes, minutes; once)"
	$(BIN)/python -m pip install --quiet -e '.[openvino]'
	@$(check_opencv)
	@touch $@

$(VENV)/.installed-test: pyproject.toml | $(BIN)/python
	@echo "Installing rallymill and its test tools into $(VENV) (some gigabytes, minutes; once)"
	$(BIN)/python -m pip install --quiet -e '.[openvino,test]'
	@$(check_opencv)
	@touch $@ $(VENV)/.installed-demo

define check_opencv
$(BIN)/python -c 'import cv2' 2>$(VENV)/opencv.log || { \
	tail -1 $(VENV)/opencv.log; \
	echo "OpenCV cannot start: a system library is missing."; \
	echo "On Debian or Ubuntu: apt-get install libgl1 libglib2.0-0"; exit 1; }
endef
