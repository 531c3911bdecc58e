# `make demo` and `make test` set everything up by themselves, in .venv in this folder.
PYTHON_HERE := .venv/bin/python
# Read when OpenMP starts: idle threads sleep instead of spinning.
export OMP_WAIT_POLICY ?= PASSIVE

.PHONY: help demo test check bench quality clean

help:
	@echo "make demo   play the demo event and make its pictures"
	@echo "make test   run all tests"
	@echo "make check  look over style and types"
	@echo "make bench  measure speed on this machine"
	@echo "make quality DATA=FOLDER   score the mattes on a folder of scenes with known truth"
	@echo "make clean  take away what these have made, except the demo's pictures"

demo:
	@sh scripts/setup.sh
	@$(PYTHON_HERE) -m demo_clips.play

# As many processes as processors, of one thread each, up to four: each takes 1.5 GB. A file's tests
# stay together, and files in order, so that the long ones do not come last.
test: export OMP_NUM_THREADS ?= 1
test:
	@sh scripts/setup.sh --tests
	@$(PYTHON_HERE) -m pytest -n logical --maxprocesses 4 --dist loadfile --no-loadscope-reorder

check:
	@sh scripts/setup.sh
	@$(PYTHON_HERE) -m ruff check .
	@$(PYTHON_HERE) -m ruff format --check .
	@$(PYTHON_HERE) -m mypy

# MINUTES=20 watches a long run besides (ONLY=long: it alone); PEOPLE=100 makes a whole evening's pictures instead.
bench:
	@sh scripts/setup.sh
	@$(PYTHON_HERE) scripts/bench.py $(if $(PEOPLE),--people "$(PEOPLE)") \
		$(if $(MINUTES),--minutes "$(MINUTES)") $(if $(SECONDS),--seconds "$(SECONDS)") \
		$(if $(ONLY),--only "$(ONLY)") $(if $(QUICK),--quick)

# ONLY="yuv420 crf23 closed-form" and SCENES="s01 s05" shorten it; the others are told in --help.
quality:
	@sh scripts/setup.sh
	@$(PYTHON_HERE) scripts/quality.py "$(DATA)" --only "$(ONLY)" --scenes "$(SCENES)" \
		--out "$(OUT)" --workers "$(WORKERS)" --bars "$(BARS)" --base "$(BASE)"

clean:
	@rm -rf .venv .venv.discarded .venv.lock .mypy_cache .ruff_cache .pytest_cache .hypothesis \
		bench dist
	@find models stream tests demo_clips scripts -name __pycache__ -type d -prune -exec rm -rf {} +
	@echo "demo_clips/made stays; its pictures may be wanted."
