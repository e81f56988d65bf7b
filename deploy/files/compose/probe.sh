#!/bin/sh
# Makes the login of one probe at the broker of compose.yaml, or a new password for it, and prints it once:
#   ./probe.sh SITE PROBE
# Then let the broker read it: podman compose kill -s HUP broker        (docker compose: the same)
set -eu
cd "$(dirname "$0")"
[ $# -eq 2 ] || { echo "say ./probe.sh SITE PROBE" >&2; exit 2; }
for name in "$1" "$2"; do
  case "$name" in "" | *[!A-Za-z0-9_-]*) echo "a name is letters, digits, _ and -: not '$name'" >&2; exit 2 ;; esac
done
[ -e secrets/mqtt_acl ] || { echo "there are no secrets yet: ./make-secrets.sh makes them" >&2; exit 2; }
password=$(openssl rand -hex 18)
mosquitto_passwd -b secrets/mqtt_passwords "$1.$2" "$password"
grep -qxF "user $1.$2" secrets/mqtt_acl ||
  printf '\nuser %s\ntopic readwrite turnbell/%s/%s/#\n' "$1.$2" "$1" "$2" >>secrets/mqtt_acl
printf 'username  %s\npassword  %s\ntopic     turnbell/%s/%s/readings\n' "$1.$2" "$password" "$1" "$2"
