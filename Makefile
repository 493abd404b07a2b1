# Two commands for everyone: `make demo` and `make test`. Each sets up all that it needs on a fresh machine.
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes

.PHONY: install uninstall documents demo test check bench advice-trial lid-trial matrix fuzz audit mutants streams recordings faults kills day soak crash-states lock clean

demo: $(VENV)/run.stamp
	$(BIN)/dewlid demo

test: $(VENV)/test.stamp
	.ci/system-packages mosquitto mosquitto-clients socat chromium strace dovecot-imapd
	$(BIN)/python -m pytest -n 2 --dist worksteal $(PYTEST_ARGS)

check: $(VENV)/test.stamp
	$(BIN)/ruff check . && $(BIN)/mypy

# Chambers that the advice was never made for, in twenty kinds of trouble, advised by dewlid, by naive rules, by nobody and by a
# search; about ten seconds a chamber and core. CHAMBERS=24 in each of three worlds, SEED=7 repeats, ONLY=nodes:lid-ajar:7 shows one.
advice-trial: $(VENV)/test.stamp
	$(BIN)/python tests/yard/yard_trial.py --chambers $(or $(CHAMBERS),24) $(if $(SEED),--seed $(SEED)) $(if $(ONLY),--only $(ONLY)) $(if $(USE),--use $(USE))

# Lids left ajar, slowly opening and shut in the same chambers: told within two hours, and never of a shut one? Five seconds a
# chamber and core; CHAMBERS=40 of each kind, SEED=7 repeats.
lid-trial: $(VENV)/test.stamp
	PYTHONPATH=tests/yard $(BIN)/python tests/trials/lid_trial.py --chambers $(or $(CHAMBERS),12) $(if $(SEED),--seed $(SEED))

# Every letter of the decision table, for all rooms, sizes, gardens and sets of devices: does one contradict itself? Ten minutes;
# EVERY=97 reads one of so many.
matrix: $(VENV)/test.stamp
	$(BIN)/python tests/properties/decision_matrix.py --every $(or $(EVERY),1)

# Speed and cost beside limits and peers, one table, also as JSON; under ten minutes, on a machine that does nothing else.
# PARTS="start idle" runs some of them, IDLE_S=600 measures ten minutes of idling.
bench: $(VENV)/test.stamp
	.ci/system-packages mosquitto
	$(BIN)/python tests/benchmarks/bench.py $(PARTS) $(if $(IDLE_S),--idle-s $(IDLE_S))

# N streams in which everything happens that can, each cut elsewhere: the same events, ids and state? `make streams N=5000 SEED=7`;
# it also shows what of the alarm table and of the readers of standing alarms they reach. A second or two a
# stream, SMALL=1 a fifth of one. Then as many short streams of the test suite.
streams: $(VENV)/test.stamp
	$(BIN)/python tests/properties/stream_trial.py --streams $(or $(N),500) $(if $(SEED),--seed $(SEED)) $(if $(SMALL),--small)
	CUT_STREAMS=$(or $(N),500) $(BIN)/python -m pytest -q -k any_cutting tests/properties/test_cut_invariance.py

# Real recordings, whole, in batches of 1, 7 and 97 readings: the same events, ids and state as in one? Those of tests/data take
# three minutes, most of them the batches of 1; FOLDER=/where/more/are takes others (CSV time,probe,quantity,value,unit).
recordings: $(VENV)/test.stamp
	$(BIN)/python tests/properties/recording_trial.py $(if $(FOLDER),--folder $(FOLDER))

# Probes that break in six ways on real and made recordings: found, and after how long; and how often healthy ones are blamed.
# Ten minutes; what is worse than promised is marked with ! and fails.
faults: $(VENV)/test.stamp
	$(BIN)/python tests/trials/fault_trial.py

# The whole daemon, killed N times at random instants: `make kills N=10000 SEED=3`.
kills: $(VENV)/test.stamp
	KILLS=$(or $(N),1000) KILL_SEED=$(or $(SEED),8) $(BIN)/python -m pytest -q -k killed tests/faults/test_kills.py

# The whole daemon for DAYS, in which its record grows and its memory, open files and threads do not; a minute a day.
day: $(VENV)/test.stamp
	WATCH_DAYS=$(or $(DAYS),1) $(BIN)/python -m pytest -q -k record_grows tests/faults/test_kills.py

# N states that a power cut could leave of the disk, each opened and lived on: `make crash-states N=5000 SEED=7`; from 1,500 on
# every prefix of the recorded calls is among them. Ten a second.
crash-states: $(VENV)/test.stamp
	.ci/system-packages strace
	$(BIN)/python tests/faults/crash_states.py --states $(or $(N),5000) $(if $(SEED),--seed $(SEED))

# DAYS simulated days of faults and kills from one seed, every invariant checked: `make soak SEED=7 DAYS=3650`.
soak: $(VENV)/test.stamp
	SOAK_SEED=$(or $(SEED),1) SOAK_DAYS=$(or $(DAYS),365) $(BIN)/python -m pytest -q -k months_of_faults tests/simulation/test_months.py

# Coverage-guided fuzzing of every parser, in an environment of its own; what it finds is told and fails: `make fuzz MINUTES=60`.
# KEEP=1 merges inputs that reach new code into tests/fuzz/corpus.
fuzz: .fuzz/venv.stamp
	.fuzz/venv/bin/python tests/fuzz/fuzz.py --minutes $(or $(MINUTES),10) $(if $(SEED),--seed $(SEED)) $(if $(KEEP),--keep)

# Known vulnerabilities of what is locked, as the public advisory database tells them today; needs the network.
audit: .fuzz/audit.stamp
	.fuzz/audit/bin/pip-audit --strict --disable-pip --require-hashes -r requirements.lock

# Does any test notice when a rule is changed a little? `make mutants MODULES="climate/quality advice/plan" SAMPLE=20 SEED=7`;
# without: days. Which tests touch which function is found first, which takes a while.
mutants: $(VENV)/test.stamp .mutants/venv.stamp
	.mutants/venv/bin/python .ci/mutants $(MODULES) $(if $(TESTS),--tests "$(TESTS)") $(if $(SAMPLE),--sample $(SAMPLE)) $(if $(SEED),--seed $(SEED))

.mutants/venv.stamp: .ci/mutants-requirements.lock | $(BIN)/python
	$(PYTHON) -m venv .mutants/venv
	.mutants/venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r .ci/mutants-requirements.lock
	touch $@

.fuzz/venv.stamp: .ci/fuzz-requirements.lock | $(BIN)/python
	$(PYTHON) -m venv .fuzz/venv
	.fuzz/venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r .ci/fuzz-requirements.lock
	touch $@

.fuzz/audit.stamp: .ci/audit-requirements.lock | $(BIN)/python
	$(PYTHON) -m venv .fuzz/audit
	.fuzz/audit/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r .ci/audit-requirements.lock
	touch $@

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "dewlid needs Python 3.11 or newer; $(PYTHON) is older. Say which one to use: make PYTHON=python3.12 $(MAKECMDGOALS)"; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || .ci/system-packages python3-venv
	$(PYTHON) -m venv $(VENV)

# The program is installed in place (editable), without build isolation, so that nothing but the locked packages is fetched.
$(VENV)/run.stamp: requirements.lock pyproject.toml | $(BIN)/python
	$(PIP) -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

$(VENV)/test.stamp: .ci/test-requirements.lock $(VENV)/run.stamp
	$(PIP) -r .ci/test-requirements.lock
	touch $@

# Needs `uv` on the PATH; everyone else only reads the files that it writes. KEEP=1 moves no version that is locked already.
COMPILE := uv pip compile --universal --python-version 3.11 --generate-hashes --no-header \
	--no-emit-index-url --no-emit-find-links --no-annotate $(if $(KEEP),,--upgrade)
LOCK := $(COMPILE) pyproject.toml .ci/build-requirements.in
lock:
	$(LOCK) -o requirements.lock
	$(LOCK) --extra test -o .ci/test-requirements.lock
	$(COMPILE) pyproject.toml .ci/fuzz-requirements.in -c requirements.lock -o .ci/fuzz-requirements.lock
	$(COMPILE) .ci/audit-requirements.in -o .ci/audit-requirements.lock
	$(COMPILE) .ci/mutants-requirements.in -o .ci/mutants-requirements.lock

# What the program writes about itself: sample_config/KEYS.md, and letter and cautions in README.md. Read the difference!
documents: $(VENV)/test.stamp
	-WRITE_GOLDEN=1 $(BIN)/python -m pytest -q tests/daemon/test_documents.py tests/daemon/test_readme.py
	git diff --stat -- README.md sample_config/KEYS.md

# As a service, as root; DESTDIR=/some/folder is a dry run. The same command brings an installed one to this version.
install uninstall:
	DESTDIR="$(DESTDIR)" PYTHON="$(PYTHON)" systemd/install $@

clean:
	rm -rf $(VENV) build *.egg-info
