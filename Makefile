# make review   the quarterly review of the demo shop, or of yours: SHOP=its folder
# make start    SHOP=the folder with your sheets: looks through them and proposes shop.toml
# make test     lint, types and tests
# make slow     the tests that run whole commands and pages, notebooks, studies, kills and long properties, and look at the pages in a browser
# make cover    the tests of make test again, with the share of lines they run (twice as slow)
# make lab      JupyterLab, open where you pick your folder and day
# make hostile  the catalogue of bad inputs, each with what becomes of it
# make same     BASE=DIR: every output beside what DIR holds, byte by byte; the first call fills DIR
# make browser  the pages in a real browser (needs Chromium or Chrome)
# make oracles  outside values computed again in R (needs R with survival and cmprsk)
# make long     the plain reckoning on 300 random shops, where make slow draws 40; the pages of 40 invented shops, where it reads 3
# make bench    how fast the work is against others on this machine: data/evidence/speed.csv; ONLY="fits curves": some of it
# make study    every study but that of speed: hours; a table is made anew where its rows are missing
# Only Python 3.11 or newer is needed; the first call builds .venv, later calls use it.

PYTHON ?= python3
VENV ?= .venv
PY := $(VENV)/bin/python
READY := $(VENV)/.ready

.PHONY: review start test slow cover long lab hostile same browser oracles bench study clean

review: $(READY)
	$(PY) -m analytics review $(if $(SHOP),"$(SHOP)",data/demo --out out/review)

start: $(READY)
	@test -n "$(SHOP)" || { echo "Say which folder holds your sheets: make start SHOP=DIR"; exit 1; }
	$(PY) -m analytics start "$(SHOP)"

#: what looks at the pages in a real browser, and a cluster on this machine
BESIDE := $(PY) -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[browser,cluster]'

#: whole commands and pages, notebooks, studies, kills, mutilations and long properties: a target of their own, so that `make test` stays short
SLOW := tests/hostile tests/interrupted tests/notebooks tests/plain tests/records/test_mutilated.py tests/report/test_cutoff_report.py \
	tests/report/test_own_units_whole.py tests/report/test_pages.py tests/studies tests/test_cluster.py tests/test_cores.py tests/test_door.py tests/test_main.py

test: $(READY)
	$(PY) -m ruff check
	$(PY) -m mypy
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -n auto --dist loadfile $(addprefix --ignore=,$(SLOW))

slow: $(READY)
	$(BESIDE)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -n auto --dist loadfile $(SLOW) tests/browser/check_page.py tests/browser/check_notebooks.py

cover: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -n auto --dist loadfile $(addprefix --ignore=,$(SLOW)) --cov --cov-report=term:skip-covered

long: $(READY)
	PAGE_SHOPS=40 OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -n auto tests/report/test_pages.py
	PLAIN_SHOPS=300 OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest tests/plain

lab: $(READY)
	$(PY) -m jupyterlab --notebook-dir=notebooks notebooks/open.ipynb

hostile: $(READY)
	$(PY) -m tests.hostile

same: $(READY)
	@test -n "$(BASE)" || { echo "Say where, outside the checkout: make same BASE=DIR"; exit 1; }
	$(PY) -m tests.same_outputs $$(test -f "$(BASE)/manifest.json" && echo compare || echo record) "$(BASE)"

browser: $(READY)
	$(BESIDE)
	$(PY) -m pytest tests/browser/check_page.py tests/browser/check_notebooks.py

oracles:
	Rscript tests/oracles/again.R tests/reference

bench: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m studies speed $(if $(ONLY),--only $(ONLY))

study: $(READY)
	$(PY) -m tests.hostile.mutilate --times 1500
	$(PY) -m tests.interrupted.kill --times 20
	for study in coverage cutoffs power-ratio prediction none-failed shops hidden stops worth advice slips quarter watch guarantee load outside; do \
		$(PY) -m studies $$study || exit 1; done

$(READY): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or newer is needed; say which with: make PYTHON=/path/to/python3.11 $(MAKECMDGOALS)"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[test]'
	@touch $(READY)

clean:
	rm -rf $(VENV) out
