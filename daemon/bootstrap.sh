# Sourced by daemon/demo and tests/run: makes .venv once, and finds it ready after that.
#
#   prepare_environment EXTRA      install the project, editable, with the extra, unless that is done already
#   say TEXT, give_up TEXT         one sentence on standard error; the second ends with exit 1
#
# Sets: project (the clone), python (the environment's interpreter). Needs bash 4 and coreutils, which Debian always has.

project=$(cd -- "$(dirname -- "$(readlink -f -- "${BASH_SOURCE[0]}")")/.." && pwd -P)
venv=$project/.venv
python=$venv/bin/python
install_log=$venv/install.log
wanted_python='import sys; sys.exit(sys.version_info < (3, 11))'
# What the caller's shell has set for other projects must not reach into this one.
unset PYTHONPATH PYTHONHOME PYTHONSTARTUP VIRTUAL_ENV PIP_TARGET PIP_PREFIX PIP_USER PIP_REQUIRE_VIRTUALENV

say() { printf '%s\n' "$*" >&2; }

give_up() {
    say "$*"
    exit 1
}

prepare_environment() {
    local extra=$1 stamp
    stamp=$(environment_stamp)
    is_ready "$extra" "$stamp" && return
    # Only one call installs; the others wait and then find it done. The lock goes with the process, however it ends.
    exec 9<"$project/pyproject.toml"
    if command -v flock >/dev/null && ! flock --nonblock 9; then
        say "Waiting for another call that prepares $venv …"
        flock 9
    fi
    if ! is_ready "$extra" "$stamp"; then
        say "Preparing $venv, once; this needs the network and takes a minute or so …"
        find_python
        rm -f -- "$venv"/.ready-*
        install_project "$extra"
        printf '%s\n' "$stamp" >"$venv/.ready-$extra"
    fi
    exec 9<&-
}

# Everything that an installed environment depends on: the project files, the place of the clone, this script's steps.
environment_stamp() {
    { cd -- "$project" && sha256sum -- pyproject.toml uv.lock daemon/bootstrap.sh 2>/dev/null; printf '%s\n' "$project"; } |
        sha256sum
}

# The extra "test" holds all that "demo" holds.
is_ready() {
    local extra=$1 stamp=$2 ready
    [[ -x $python ]] || return 1
    for ready in "$extra" test; do
        [[ -r $venv/.ready-$ready && $(<"$venv/.ready-$ready") == "$stamp" ]] && return
    done
    return 1
}

find_python() {
    local name
    for name in python3 python3.11 python3.12 python3.13 python3.14; do
        if command -v "$name" >/dev/null && "$name" -c "$wanted_python" 2>/dev/null; then
            base_python=$(command -v "$name")
            return
        fi
    done
    # With uv alone: it fetches an interpreter of its own.
    base_python=
    command -v uv >/dev/null && return
    if debian_install python3 python3-venv && python3 -c "$wanted_python"; then
        base_python=$(command -v python3)
        return
    fi
    give_up "crosslay needs Python 3.11 or newer, found $(python3 --version 2>/dev/null || echo none). On Debian 12: apt-get install python3 python3-venv"
}

# Installs Debian packages where we may; says nothing and fails where we may not.
debian_install() {
    [[ $(id -u) == 0 ]] && command -v apt-get >/dev/null || return 1
    say "Installing the Debian packages: $*"
    local -x DEBIAN_FRONTEND=noninteractive
    local words
    words=$({
        apt-get -q -y --no-install-recommends install "$@" ||
            { apt-get -q update && apt-get -q -y --no-install-recommends install "$@"; }
    } </dev/null 2>&1) && return
    say "apt-get could not install them: $(grep '^E:' <<<"$words" | tail -n 1)"
    return 1
}

install_project() {
    local extra=$1
    works || rm -rf -- "$venv"
    { mkdir -p -- "$venv" && : >"$install_log"; } 2>/dev/null ||
        give_up "cannot write into $venv: the clone must be writable for the first call"
    if command -v uv >/dev/null; then
        if with_uv "$extra" >>"$install_log" 2>&1 </dev/null; then return; fi
        [[ -n $base_python ]] || give_up "uv could not install the project; its words are in $install_log: $(last_words)"
        say "uv could not do it; trying pip …"
    fi
    with_pip "$extra"
}

with_uv() {
    local choice=(--python "${base_python:-3.11}")
    works || uv venv --quiet --allow-existing "${choice[@]}" "$venv" || return
    uv sync --quiet --project "$project" --frozen --inexact --extra "$1" || {
        # The locked files cannot be had, from a mirror of an index for instance: take what that has.
        uv pip install --quiet --python "$python" --editable "$project[$1]"
    }
}

with_pip() {
    if ! "$base_python" -c 'import ensurepip, venv' 2>/dev/null && ! debian_install python3-venv; then
        give_up "Python's venv module is missing. On Debian: apt-get install python3-venv"
    fi
    # An environment that uv made has no pip; ensurepip, which venv runs, adds it.
    { works && "$python" -m pip --version >/dev/null 2>&1; } ||
        "$base_python" -m venv "$venv" >>"$install_log" 2>&1 </dev/null ||
        give_up "cannot make $venv with $base_python; its words are in $install_log: $(last_words)"
    "$python" -m pip install --quiet --disable-pip-version-check --no-input --editable "$project[$1]" \
        >>"$install_log" 2>&1 </dev/null ||
        give_up "pip could not install the project (is the network there?); its words are in $install_log: $(last_words)"
}

# Whether the environment's interpreter runs, is new enough, and was made for this place.
works() {
    [[ -x $python ]] && "$python" -c "$wanted_python" 2>/dev/null && grep -qsF -- "$venv" "$venv/bin/activate"
}

last_words() {
    local line
    line=$(grep -E 'ERROR: |error: |× ' "$install_log" | grep -v 'subprocess-exited' | tail -n 1)
    line=${line:-$(tail -n 1 "$install_log")}
    printf '%s' "${line#"${line%%[![:space:]]*}"}"
}
