# Makes the virtual environment of the repository; to be sourced by a POSIX shell, not run.
#
#   root=...                          the repository
#   . "$root/deploy/environment.sh"
#   make_environment "$root" test     with an optional group of pyproject.toml, or none
#   "$python" -m ...                  its interpreter
#
# The second time it is quick: a stamp for each group holds what was installed from, and only
# another pyproject.toml, another place of the repository or another Python installs again.

# Prints the first Python that is new enough and can make virtual environments.
find_python() {
    too_old= without_venv=
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        command -v "$candidate" >/dev/null 2>&1 || continue
        if ! "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            too_old="$candidate is $("$candidate" -V 2>&1)" || :
        elif ! "$candidate" -c 'import ensurepip, venv' 2>/dev/null; then
            without_venv=$candidate
        else
            command -v "$candidate"
            return
        fi
    done
    if [ -n "$without_venv" ]; then
        echo "$without_venv has no venv or ensurepip, which make the virtual environment;" \
            "on Debian: apt-get install python3-venv" >&2
    else
        echo "Python 3.11 or newer is needed; ${too_old:-there is no python3}" >&2
    fi
    return 1
}

make_environment() {
    environment="$1/.venv"
    python="$environment/bin/python"
    stamp="$environment/installed-${2:-plain}"
    if ! "$python" -c 'import pip' 2>/dev/null; then
        base_python=$(find_python) || return
        echo "making $environment with $("$base_python" -V)"
        "$base_python" -m venv --clear "$environment" || return
    fi
    if ! { echo "$1" && cat "$1/pyproject.toml"; } | cmp -s - "$stamp"; then
        echo "installing into $environment"
        "$python" -m pip install --quiet --disable-pip-version-check --editable "$1${2:+[$2]}" ||
            return
        { echo "$1" && cat "$1/pyproject.toml"; } >"$stamp"
    fi
}
