# Installs Debian packages that are missing; sourced by the project's two commands.

# install_missing NAME:CHECK ...: a package and the command whose absence shows that it is missing;
# CHECK @PACKAGE asks the package manager instead.
install_missing() {
  local missing=() pair name check
  for pair in "$@"; do
    name=${pair%%:*} check=${pair#*:}
    case $check in
      @*) dpkg-query -W -f '${Status}' "${check#@}" 2>/dev/null | grep -q '^install ok installed' || missing+=("$name") ;;
      /*) [ -e "$check" ] || missing+=("$name") ;;
      *) command -v "$check" >/dev/null || missing+=("$name") ;;
    esac
  done
  [ ${#missing[@]} -gt 0 ] || return 0
  command -v apt-get >/dev/null || { echo "missing, and this is no Debian: ${missing[*]}" >&2; return 1; }
  local as_root=()
  [ "$(id -u)" = 0 ] || as_root=(sudo)
  echo "Installing ${missing[*]}."
  "${as_root[@]}" apt-get -qq update
  DEBIAN_FRONTEND=noninteractive "${as_root[@]}" apt-get -qq install -y --no-install-recommends "${missing[@]}" >/dev/null
}
