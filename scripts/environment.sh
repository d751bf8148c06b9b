# shellcheck shell=sh
# Read by scripts/demo and scripts/test: makes .venv beside pyproject.toml, with what the caller asks for.
#
#   prepare demo   the package with the versions pip finds for its ranges, as anyone who installs it gets them
#   prepare test   the package with the locked versions of its test requirements
#
# A finished installation leaves a stamp of the files it was made from; when they change it is made again.
# PYTHON names the interpreter to use; otherwise the first of the usual names that is Python 3.11 or later.

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
venv=$root/.venv

say() {
  printf '%s\n' "$*" >&2
}

give_up() {
  say "$@"
  exit 2
}

is_new_enough() {
  "$1" -c 'import sys; raise SystemExit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

find_python() {
  for candidate in ${PYTHON:-python3 python python3.13 python3.12 python3.11 python3.14}; do
    if is_new_enough "$candidate"; then
      printf '%s\n' "$candidate"
      return
    fi
  done
  give_up "No Python 3.11 or later was found (tried: ${PYTHON:-python3, python, python3.13, python3.12, python3.11, python3.14})." \
    "Install one from your system's packages or python.org, or name it: PYTHON=/path/to/python3.11 $0"
}

# Debian ships venv without ensurepip: there the pip of the system, if there is one, can fill the environment.
make_venv() {
  python=$1
  "$python" -m venv --clear "$venv" >/dev/null 2>&1 && return
  if "$python" -m venv --clear --without-pip "$venv" >/dev/null 2>&1 &&
    "$python" -m pip --python "$venv/bin/python" install --quiet pip >/dev/null 2>&1; then
    return
  fi
  rm -rf "$venv"
  give_up "$python cannot make a virtual environment: it has neither ensurepip nor pip." \
    "On Debian and Ubuntu: apt-get install python3-venv (or python3-pip), then run $0 again."
}

stamp_of() {
  cat "$root/pyproject.toml" "$root/requirements-test.lock" | cksum
}

is_prepared() {
  [ "$(cat "$venv/prepared-for-$1" 2>/dev/null)" = "$(stamp_of)" ]
}

pip_install() {
  "$venv/bin/python" -m pip install --quiet --disable-pip-version-check "$@" ||
    give_up "pip could not install what is needed; its message stands above. Mend that and run $0 again."
}

install_for() {
  case $1 in
    demo) pip_install --editable "$root" ;;
    test)
      pip_install --require-hashes --requirement "$root/requirements-test.lock"
      pip_install --no-deps --no-build-isolation --editable "$root"
      ;;
  esac
}

prepare() {
  if is_prepared "$1" || is_prepared test; then
    return
  fi
  if ! is_new_enough "$venv/bin/python"; then
    python=$(find_python) || exit $?
    say "Making $venv with $python; this takes a minute, once."
    make_venv "$python"
  fi
  install_for "$1"
  stamp_of >"$venv/prepared-for-$1"
}
