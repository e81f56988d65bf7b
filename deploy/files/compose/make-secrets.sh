#!/bin/sh
# Makes the passwords and the broker's certificate of compose.yaml, once. Needs openssl and mosquitto_passwd.
set -eu
umask 077
cd "$(dirname "$0")"
[ -e secrets ] && { echo "there are secrets already: remove the folder to make new ones"; exit 1; }
mkdir secrets && cd secrets
openssl rand -hex 24 | tr -d '\n' > registry_password
printf 'postgresql://turnbell:%s@registry/turnbell' "$(cat registry_password)" > registry_url
openssl rand -hex 24 | tr -d '\n' > mqtt_password
: > mqtt_passwords
mosquitto_passwd -b mqtt_passwords turnbell.ingest "$(cat mqtt_password)"
cat > mqtt_acl <<'ACL'
user turnbell.ingest
topic read #
topic readwrite turnbell/.ingest/#
ACL
openssl req -x509 -newkey rsa:2048 -nodes -days 3650 -keyout ca.key -out ca.crt -subj "/CN=Turnbell broker CA" 2>/dev/null
openssl req -newkey rsa:2048 -nodes -keyout broker.key -out broker.csr -subj "/CN=broker" 2>/dev/null
printf 'subjectAltName=DNS:broker,DNS:localhost,DNS:%s\n' "$(hostname)" > broker.ext
openssl x509 -req -in broker.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 1825 -extfile broker.ext -out broker.crt 2>/dev/null
rm broker.csr broker.ext
chmod 644 ./*.crt broker.key mqtt_password mqtt_passwords mqtt_acl registry_url registry_password
echo "made: ./probe.sh makes a login for each probe; give probes ca.crt; keep ca.key away from this machine"
