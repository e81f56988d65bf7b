#!/bin/sh
# The Debian packages that the tests drive: a broker that persists, a browser, a database server, a time-series store.
set -u
missing=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v openssl >/dev/null 2>&1 || missing="$missing openssl"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium"
ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || missing="$missing postgresql"
command -v systemd-analyze >/dev/null 2>&1 || missing="$missing systemd"
command -v victoria-metrics >/dev/null 2>&1 || missing="$missing victoria-metrics"
[ -z "$missing" ] && exit 0
if ! command -v apt-get >/dev/null 2>&1; then
  echo "not installed:$missing (the tests that need them are left out)"; exit 0
fi
as_root=""
if [ "$(id -u)" -ne 0 ]; then
  if command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then as_root="sudo -n"; else
    echo "not installed:$missing (the tests that need them are left out; to have them: apt-get install$missing)"; exit 0
  fi
fi
DEBIAN_FRONTEND=noninteractive
export DEBIAN_FRONTEND
# shellcheck disable=SC2086
$as_root apt-get update -qq >/dev/null && $as_root apt-get install -y -qq --no-install-recommends $missing >/dev/null && exit 0
echo "could not install:$missing"
[ -z "${CI:-}" ]
