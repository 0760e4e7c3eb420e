# Chaffinch on a board. Needs Go and what comes with every Debian; the packages
# are made by a pinned version of nfpm, which Go fetches.
#
#   make deb             dist/chaffinch_VERSION_{arm64,armhf,amd64}.deb
#   make lint            lintian's opinion of them
#   make packages-test   install, upgrade, remove and purge, in a Debian of its own (root)
#   make live-bus        the program on a real kernel's SocketCAN, in QEMU
#   make installed       the package in a Debian with CAN controllers, in QEMU (root)
#   make power-cuts      the power taken CUTS times, in QEMU (CUTS=50)
#   make faults          disk, clock, bus and memory go wrong around the program
#   make soak            a shift of HOURS on a full bus (HOURS=12)
#   make speed           what each way of reading a log takes
#   make test            what CI runs

NFPM    = go run github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.0
BOARDS  = arm64 armhf amd64

# The commit says the version and every date, so that the same commit gives the
# same bytes. A later commit is a newer version.
EPOCH   := $(shell git log -1 --format=%ct)
COMMIT  := $(shell git rev-parse --short=8 HEAD)
VERSION := 0.1.0~$(shell date -u -d @$(EPOCH) +%Y%m%d%H%M%S).$(COMMIT)
MAINTAINER = Chaffinch maintainers <maintainers@chaffinch.invalid>
STAGE   = dist/stage
export SOURCE_DATE_EPOCH := $(EPOCH)

DEBS = $(BOARDS:%=dist/chaffinch_$(VERSION)-1_%.deb)

.PHONY: deb lint packages-test live-bus installed power-cuts faults soak speed test clean
.DEFAULT_GOAL = deb

deb: $(DEBS)
	@ls -l $(DEBS)

# One binary for each board; armhf with GOARM=6 runs on 32-bit ARM from ARMv6 on.
GOARCH_arm64 = arm64
GOARCH_armhf = arm
GOARCH_amd64 = amd64

.SECONDARY:
.PHONY: FORCE
FORCE:

$(STAGE)/%/chaffinch: FORCE
	CGO_ENABLED=0 GOOS=linux GOARCH=$(GOARCH_$*) GOARM=6 \
		go build -buildvcs=true -trimpath -ldflags '-s -w' -o $@ ./cmd/chaffinch

# What is the same on every board, from the program itself.
$(STAGE)/common: FORCE
	@mkdir -p $@
	go build -buildvcs=true -trimpath -o $@/chaffinch ./cmd/chaffinch
	$@/chaffinch manual | gzip -9n > $@/chaffinch.1.gz
	$@/chaffinch completion bash > $@/completion.bash
	{ printf 'chaffinch (%s-1) unstable; urgency=medium\n\n  * %s: %s\n\n -- %s  %s\n' \
		'$(VERSION)' '$(COMMIT)' "$$(git log -1 --format=%s | cut -c1-56)" \
		'$(MAINTAINER)' "$$(date -u -R -d @$(EPOCH))"; } | gzip -9n > $@/changelog.gz

dist/chaffinch_$(VERSION)-1_%.deb: $(STAGE)/%/chaffinch $(STAGE)/common
	cp $(STAGE)/common/*.gz $(STAGE)/common/completion.bash $(STAGE)/$*/
	ARCH=$* VERSION='$(VERSION)' MAINTAINER='$(MAINTAINER)' STAGE=$(STAGE)/$* \
		$(NFPM) package --config systemd/nfpm.yaml --packager deb --target $@

lint: deb
	for d in $(DEBS); do lintian --fail-on error,warning $$d || exit 1; done

packages-test: deb
	sh systemd/packages-test.sh $(DEBS)

live-bus:
	go test ./internal/onkernel -v -timeout 30m

installed: deb
	CHAFFINCH_DEB='$(CURDIR)/dist/chaffinch_$(VERSION)-1_amd64.deb' go test ./internal/onkernel -run Installed -v -timeout 30m

CUTS = 50
power-cuts:
	CHAFFINCH_CUTS=$(CUTS) go test ./internal/onkernel -run PowerCuts -v -timeout 60m

faults:
	go test ./internal/faults -v -timeout 20m

HOURS = 12
soak:
	CHAFFINCH_HOURS=$(HOURS) go test ./internal/faults -run LongShift -v -timeout 30m

speed:
	go run ./internal/speed

test:
	sh .ci/test

clean:
	rm -rf dist
