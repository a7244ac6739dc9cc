# shellcheck shell=bash
# Installs Debian packages that are missing; sourced by the project's two commands.

# What building takes. A compiler without recommended packages comes without the C library's headers.
# shellcheck disable=SC2034  # read where this is sourced
build_packages=(gcc:gcc libc6-dev:/usr/include/stdlib.h pkg-config:pkg-config libpq-dev:@libpq-dev)

# install_missing NAME:CHECK ...: a package, and what shows that it is there: a command, an absolute path,
# @PACKAGE known to the package manager, or %MODULE of Python.
install_missing() {
  local missing=() pair name check
  for pair in "$@"; do
    name=${pair%%:*} check=${pair#*:}
    case $check in
      @*) dpkg-query -W -f '${Status}' "${check#@}" 2>/dev/null | grep -q '^install ok installed' || missing+=("$name") ;;
      %*) python3 -c "import ${check#%}" 2>/dev/null || missing+=("$name") ;;
      /*) [ -e "$check" ] || missing+=("$name") ;;
      *) command -v "$check" >/dev/null || missing+=("$name") ;;
    esac
  done
  [ ${#missing[@]} -gt 0 ] || return 0
  command -v apt-get >/dev/null || { echo "missing, and this is no Debian: ${missing[*]}" >&2; return 1; }
  echo "Installing ${missing[*]}."
  as_root apt-get -qq update
  as_root env DEBIAN_FRONTEND=noninteractive apt-get -qq install -y --no-install-recommends "${missing[@]}" >/dev/null
}

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

# Rust is the one thing that we do not install: how is its user's choice.
need_rust() {
  command -v cargo >/dev/null || [ ! -x "$HOME/.cargo/bin/cargo" ] || PATH=$HOME/.cargo/bin:$PATH
  command -v cargo >/dev/null || { echo "cargo is missing: install Rust (rustup) first" >&2; return 1; }
}
