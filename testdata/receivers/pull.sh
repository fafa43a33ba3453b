#!/bin/sh
# Fetches the events of a feed with curl, and stops when there are no more.
#
# Usage: TOKEN=… pull.sh URL FILE     with URL such as http://127.0.0.1:8410/v1/feeds/vet/events
#
# Each event is a line of FILE. FILE.next has the cursor: it moves when the events before it are in FILE, so whoever is
# interrupted has some of them twice, known by their ids, and none of them never.
set -eu
url=$1 file=$2
page=$(mktemp -d)
trap 'rm -rf "$page"' EXIT
printf 'header = "Authorization: Bearer %s"\n' "$TOKEN" >"$page/auth" # not where others see it
while :; do
	after=
	[ ! -f "$file.next" ] || after="?after=$(cat "$file.next")"
	curl -sS --fail-with-body -K "$page/auth" -H 'Accept: application/x-ndjson' -D "$page/head" -o "$page/events" "$url$after" ||
		{ cat "$page/events" >&2 && exit 1; }
	cat "$page/events" >>"$file"
	sync "$file"
	tr -d '\r' <"$page/head" | sed -n 's/^[Dd]ewclaw-[Nn]ext: //p' >"$file.new"
	mv "$file.new" "$file.next"
	[ -s "$page/events" ] || break
done
