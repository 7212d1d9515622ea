# Shared by tools/first-run, tools/run-tests and .ci/run; sourced, not run. Expects `root`, the checkout.

# say TEXT: a step the user can follow.
say() { printf '\n== %s\n' "$*"; }

# package_names [to-run]: names of the packages in tools/packages, without those for the tests alone if so asked.
package_names() {
  sed ${1:+-e '/^# for the tests alone/,$d'} -e 's/#.*//' -e '/^[[:space:]]*$/d' "$root/tools/packages" | awk '{print $1}'
}

# missing_packages [to-run]: those of them that this machine lacks.
missing_packages() {
  local name
  for name in $(package_names "$@"); do
    dpkg-query -W -f '${Status}' "$name" 2>/dev/null | grep -q 'install ok installed' || echo "$name"
  done
}

# install_packages [to-run]: installs what is missing, and only then needs root and the package registry.
install_packages() {
  command -v dpkg-query >/dev/null || { echo "not a Debian system: install by hand what tools/packages lists" >&2; return 1; }
  local missing
  missing=$(missing_packages "$@")
  if [ -z "$missing" ]; then
    echo "all packages are installed"
    return 0
  fi
  echo "missing:" $missing
  local as_root=()
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || { echo "installing needs root: run 'apt-get install" $missing"' as root first" >&2; return 1; }
    as_root=(sudo)
  fi
  "${as_root[@]}" apt-get update -q
  # Word splitting is wanted: one argument a package.
  "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing
}

# fetch_checker: the accessibility checker of the tests of pages, into build/checkers; those tests do without where there
# is no npm. Debian has no package of it, and its npm brings hundreds of others.
fetch_checker() {
  local folder=$root/build/checkers
  [ -f "$folder/node_modules/axe-core/axe.min.js" ] && return 0
  command -v npm >/dev/null || { echo "no npm: accessibility is not checked"; return 0; }
  mkdir -p "$folder"
  npm install --prefix "$folder" --no-save --ignore-scripts --no-audit --no-fund --silent axe-core@4.14.1 ||
    echo "axe-core could not be fetched: accessibility is not checked"
}

# The first Python 3 that can draw our pictures.
find_python() {
  local python
  for python in /usr/bin/python3 python3; do
    if "$python" -c 'import h5py, matplotlib, numpy' 2>/dev/null; then
      echo "$python"
      return 0
    fi
  done
  echo "no python3 with h5py and matplotlib found" >&2
  return 1
}

# configure_and_build PRESET [TARGET...]
configure_and_build() {
  local preset=$1
  shift
  (cd "$root" && cmake --preset "$preset" >"$root/build/$preset.log" 2>&1) || { cat "$root/build/$preset.log"; return 1; }
  cmake --build "$root/build/$preset" ${@:+--target "$@"}
}
