#!/bin/sh
# Receives one event as a signed webhook (Standard Webhooks 1.0.0): a CGI program (RFC 3875) for any web server that
# has CGI, with nothing but openssl beside the shell.
#
# In the environment: SECRET=whsec_…, FILE. Each event is a line of FILE, once, before it is answered.
set -eu

answer() {
	printf 'Status: %s\r\nContent-Type: text/plain\r\n\r\n' "$1"
	exit 0
}

body=$(mktemp)
trap 'rm -f "$body"' EXIT
head -c "$CONTENT_LENGTH" >"$body"

case ${HTTP_WEBHOOK_TIMESTAMP:-} in
'' | *[!0-9]*) answer '401 Unauthorized' ;;
esac
age=$(($(date +%s) - HTTP_WEBHOOK_TIMESTAMP))
[ "$age" -le 300 ] && [ "$age" -ge -300 ] || answer '401 Unauthorized'
key=$(printf %s "${SECRET#whsec_}" | openssl base64 -d -A | od -An -v -tx1 | tr -d ' \n')
want="v1,$({ printf '%s.%s.' "$HTTP_WEBHOOK_ID" "$HTTP_WEBHOOK_TIMESTAMP" && cat "$body"; } |
	openssl dgst -sha256 -mac HMAC -macopt "hexkey:$key" -binary | openssl base64 -A)"
case " $HTTP_WEBHOOK_SIGNATURE " in
*" $want "*) ;;
*) answer '401 Unauthorized' ;;
esac

touch "$FILE"
(
	flock 9
	grep -qF "\"id\":\"$HTTP_WEBHOOK_ID\"" "$FILE" || {
		cat "$body"
		echo
	} >>"$FILE"
	sync "$FILE"
) 9>"$FILE.lock"
answer '204 No Content'
