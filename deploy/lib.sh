# shellcheck shell=bash
# What the scripts of this folder share. Sourced, never run. Written for bash 3.2
# and later, so that the bash of macOS runs it too.
#
# Nothing is installed that was not named on the terminal before, and nothing at
# all when what is needed is there: a second run goes straight to work.

# Where the project stands, whatever folder the script was started from.
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

# The oldest versions that work: Go as in go.mod, Postgres as in internal/store.
want_go=1.26
want_postgres=15

say() { printf 'byrelog: %s\n' "$*" >&2; }

die() {
    say "$*"
    exit 1
}

have() { command -v "$1" >/dev/null 2>&1; }

# as_root runs a command with the right to install packages.
as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif have sudo; then
        sudo "$@"
    else
        say "that needs root, and this machine has no sudo. As root, run:"
        say "    $*"
        return 1
    fi
}

# postgres_bin prints the folder of the newest server programs that are new
# enough; nothing when there are none. The folders are those of internal/localpg.
postgres_bin() {
    local dir best='' best_version=0 version
    for dir in \
        "$(postgres_on_path)" \
        /usr/lib/postgresql/*/bin \
        /usr/pgsql-*/bin \
        /usr/libexec/postgresql* \
        /usr/lib/postgresql*/bin \
        /opt/homebrew/opt/postgresql*/bin \
        /usr/local/opt/postgresql*/bin \
        /home/linuxbrew/.linuxbrew/opt/postgresql*/bin \
        /opt/local/lib/postgresql*/bin \
        /Applications/Postgres.app/Contents/Versions/*/bin \
        /Library/PostgreSQL/*/bin \
        /opt/PostgreSQL/*/bin \
        /usr/local/pgsql/bin \
        /usr/bin \
        /usr/local/bin; do
        if ! [ -x "$dir/postgres" ] || ! [ -x "$dir/initdb" ] || ! [ -x "$dir/pg_ctl" ]; then continue; fi
        # "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)" gives 15
        version=$("$dir/postgres" --version 2>/dev/null | sed -n 's/^postgres (PostgreSQL) \([0-9][0-9]*\).*/\1/p')
        if [ "${version:-0}" -ge "$want_postgres" ] && [ "$version" -gt "$best_version" ]; then
            best=$dir
            best_version=$version
        fi
    done
    printf '%s' "$best"
}

# postgres_on_path follows a single linked program to where the others lie.
postgres_on_path() {
    local found link
    found=$(command -v postgres) || return 0
    while link=$(readlink "$found"); do
        case $link in
        /*) found=$link ;;
        *) found=$(dirname "$found")/$link ;;
        esac
    done
    dirname "$found"
}

# postgres_tool prints the path of a client program of Postgres (pg_dump …), from
# the newest installation there is: one may read older servers, never newer ones.
postgres_tool() {
    local dir
    dir=$(postgres_bin)
    if [ -n "$dir" ] && [ -x "$dir/$1" ]; then
        printf '%s' "$dir/$1"
    else
        command -v "$1" || die "$1 is missing: install PostgreSQL's client programs (Debian: apt-get install postgresql-client)"
    fi
}

# by_hand says what to install where there is no apt-get.
by_hand() {
    say "missing: the server programs (postgres, initdb) of PostgreSQL $want_postgres or later. I install them only on"
    say "Debian and its relatives. Install them yourself and start this command again; there is no"
    say "need to set up or start a database, byrelog runs a private one from these programs:"
    say "    Fedora, Red Hat and relatives   sudo dnf install postgresql-server"
    say "                                    (release 9 and older: sudo dnf module enable postgresql:16 before it)"
    say "    openSUSE                        sudo zypper install postgresql-server"
    say "    Arch                            sudo pacman -S postgresql"
    say "    Alpine                          sudo apk add postgresql16"
    say "    macOS with Homebrew             brew install postgresql@17"
    say "Or, with a container engine and nothing else:  docker compose up"
}

# apt_install installs Debian packages without setting up a database. Debian's
# postgresql package otherwise makes a cluster of its own and starts it at once,
# and again at every boot, which byrelog does not use and nobody asked for. A
# drop-in that Debian's own scripts read says no to that; it is there only for the
# length of the call. (A policy-rc.d would only stop the start, not the cluster.)
apt_install() {
    # shellcheck disable=SC2016 # the inner shell expands it
    as_root sh -euc '
        dropin=/etc/postgresql-common/createcluster.d/zz-byrelog-install.conf
        cleanup() {
            rm -f "$dropin"
            rmdir -p --ignore-fail-on-non-empty "${dropin%/*}" 2>/dev/null || true
        }
        trap cleanup EXIT
        trap "exit 130" INT
        trap "exit 143" TERM
        mkdir -p "${dropin%/*}"
        echo "create_main_cluster = false" >"$dropin"
        export DEBIAN_FRONTEND=noninteractive
        apt-get update -q
        apt-get install -q -y --no-install-recommends "$@"
    ' apt_install "$@" >&2
}

# need_packages makes sure of the server programs of Postgres and of the
# certificates with which Go fetches modules.
need_packages() {
    local packages=()
    if [ -z "$(postgres_bin)" ]; then
        if ! have apt-get; then
            by_hand
            exit 1
        fi
        packages+=(postgresql)
        say "missing: the server programs of PostgreSQL $want_postgres or later."
        say "    I install the package postgresql for its programs. No database is set up or started"
        say "    by it: byrelog runs a private one, in a folder of its own."
    fi
    if have apt-get && ! [ -e /etc/ssl/certs/ca-certificates.crt ]; then
        packages+=(ca-certificates)
        say "missing: the certificates with which Go checks the servers it fetches modules from (ca-certificates)."
    fi
    [ ${#packages[@]} -gt 0 ] || return 0
    say "running apt-get update, then: apt-get install --no-install-recommends ${packages[*]}"
    apt_install "${packages[@]}" || die "the installation failed (see above); nothing was started."
    [ -n "$(postgres_bin)" ] || die "this system's PostgreSQL is older than $want_postgres. Install a newer one" \
        "(the PostgreSQL project has packages for Debian and Ubuntu), or use: docker compose up"
}

# need_go makes sure of a Go that is new enough. It is not installed from here:
# distributions ship older ones, and which Go a machine has is its owner's choice.
need_go() {
    local go_bin version major minor
    for go_bin in "$(command -v go || true)" /usr/local/go/bin/go /opt/homebrew/bin/go "${HOME:-}/go/bin/go" "${HOME:-}/sdk/go/bin/go"; do
        if ! [ -x "$go_bin" ]; then continue; fi
        # Go may otherwise answer by downloading the version that go.mod names.
        version=$(cd / && GOTOOLCHAIN=local "$go_bin" version 2>/dev/null | sed -n 's/^go version go\([0-9]*\.[0-9]*\).*/\1/p')
        major=${version%%.*}
        minor=${version#*.}
        if [ -n "$version" ] && { [ "$major" -gt "${want_go%%.*}" ] || { [ "$major" -eq "${want_go%%.*}" ] && [ "$minor" -ge "${want_go#*.}" ]; }; }; then
            PATH="$(dirname "$go_bin"):$PATH"
            export PATH
            return 0
        fi
    done
    die "Go $want_go or later is needed, and ${version:+only Go $version was found}${version:-none was found}." \
        "How to install it: https://go.dev/doc/install (then start this command again)."
}

# go_settings fits Go to this machine: no stamp of the commit where git cannot
# read the clone (git is missing, or another user owns the folder), which go build
# would otherwise take for an error.
go_settings() {
    if ! git -C "$root" rev-parse HEAD >/dev/null 2>&1; then
        export GOFLAGS="${GOFLAGS:-} -buildvcs=false"
    fi
}

# fetch_modules downloads the modules of go.sum; at once when they are there.
fetch_modules() {
    local cache
    cache=$(go env GOMODCACHE)
    [ -d "$cache/cache/download" ] || say "fetching the Go modules listed in go.sum into $cache"
    (cd "$root" && go mod download) || die "fetching the Go modules failed (see above): is the network there, is GOPROXY right?"
}

# build makes bin/byrelog.
build() {
    say "building bin/byrelog"
    (cd "$root" && CGO_ENABLED=0 go build -trimpath -o bin/byrelog ./cmd/byrelog)
}

# have_cgo tells whether C compiles here, headers included: the race detector needs it.
have_cgo() {
    local cc
    [ "$(go env CGO_ENABLED)" = 1 ] || return 1
    cc=$(go env CC)
    # shellcheck disable=SC2086 # CC may carry arguments
    echo '#include <stdlib.h>' | $cc -x c -c -o /dev/null - 2>/dev/null
}

# prepare is what demo and test have in common.
prepare() {
    need_go
    need_packages
    go_settings
    fetch_modules
    build
}
