# Sourced by ./stanch and ./check with $here set to the project's folder; POSIX shell.

PATH=${PATH:-/usr/local/bin:/usr/bin:/bin}
export PATH
unset PYTHONHOME

# What .venv must have been made from; tools/environment.py writes the same text.
environment_stamp() {
    printf '%s\n' "$here"
    cat "$here/requirements/$1.txt" "$here/pyproject.toml" "$here/tools/environment.py"
}

find_python() {
    for name in python3 python3.11 python3.12 python3.13 python3.14 python; do
        python=$(command -v "$name" 2>/dev/null) || continue
        if "$python" -c 'import sys, ssl, venv; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            return 0
        fi
    done
    echo "stanch: no Python 3.11 or newer with the modules ssl and venv was found on PATH ($PATH)." \
        "Install one and run this again." >&2
    return 1
}

# need_environment run|check: returns at once when .venv is what the lock says.
need_environment() {
    if [ -x "$here/.venv/bin/python" ] && environment_stamp "$1" | cmp -s - "$here/.venv/stamp.$1"; then
        return 0
    fi
    find_python || exit 1
    "$python" -I "$here/tools/environment.py" "$1" || exit 1
}
