# shellcheck shell=bash
# A PostgreSQL cluster of our own; sourced by tests/run. It never touches a cluster that the system runs.

postgres_data=

# The server's programs, of the newest version installed.
postgres_bin() { printf '%s\n' /usr/lib/postgresql/*/bin | sort -V | tail -n 1; }

# Debian's package makes and starts a cluster on installation, unless told not to. We tell it only where there is no
# PostgreSQL yet: clusters that somebody has made are none of our business.
install_postgres() {
  if [ -x "$(postgres_bin)/initdb" ]; then return; fi
  local told=/etc/postgresql-common/createcluster.d/keepstart-tests.conf
  as_root mkdir -p "$(dirname "$told")"
  echo 'create_main_cluster = false' | as_root tee "$told" >/dev/null
  install_missing postgresql:@postgresql
  as_root rm -f "$told"
}

# A loopback port that nobody listens on at the moment.
free_port() { python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'; }

# PostgreSQL refuses to run as root. Its programs ask where they are, so they start in a folder that anybody may enter.
as_postgres() (
  cd /
  if [ "$(id -u)" = 0 ]; then exec setpriv --reuid=postgres --regid=postgres --clear-groups -- "$@"; else exec "$@"; fi
)

# start_postgres FOLDER [SETTING...]: starts a cluster there and exports its address. Without settings nothing survives a
# power cut, since the data is thrown away.
start_postgres() {
  local port owner=postgres settings=(-c fsync=off -c synchronous_commit=off -c full_page_writes=off)
  [ $# = 1 ] || settings=("${@:2}")
  port=$(free_port)
  mkdir -p "$1"
  if [ "$(id -u)" = 0 ]; then
    chown postgres "$1"
    # The scratch folder is private; the server's user has to pass through it.
    chmod o+x "$(dirname "$1")"
  fi
  postgres_data=$1/data
  as_postgres "$(postgres_bin)/initdb" --no-sync -A trust -U "$owner" -E UTF8 --locale=C.UTF-8 -D "$postgres_data" >/dev/null
  as_postgres "$(postgres_bin)/pg_ctl" -D "$postgres_data" -l "$1/log" -w -o "-p $port -c listen_addresses=127.0.0.1 \
    -c unix_socket_directories='' -c max_connections=300 ${settings[*]}" \
    start >/dev/null || { cat "$1/log" >&2; return 1; }
  export KEEPSTART_TEST_POSTGRES=postgres://$owner@127.0.0.1:$port/postgres
  echo "PostgreSQL $(cat "$postgres_data/PG_VERSION") listens on 127.0.0.1:$port"
}

# Ends the cluster's processes at once, as a crash would, and starts it again as it was.
restart_postgres() {
  as_postgres "$(postgres_bin)/pg_ctl" -D "$postgres_data" -l "${postgres_data%/*}/log" -m immediate -w restart >/dev/null
}

stop_postgres() {
  [ -n "$postgres_data" ] || return 0
  as_postgres "$(postgres_bin)/pg_ctl" -D "$postgres_data" -m immediate -w stop >/dev/null || true
  postgres_data=
}
