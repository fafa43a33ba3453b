#!/usr/bin/env python3
"""Fetches the events of a feed with nothing but Python's own library, and stops when there are no more.

Usage: TOKEN=… pull.py URL FILE     with URL such as http://127.0.0.1:8410/v1/feeds/vet/events

Each event is a line of FILE. FILE.next has the cursor: it moves when the events before it are safely on the disk, so
whoever is interrupted has some of them twice, known by their ids, and none of them never.
"""
import json
import os
import sys
import urllib.parse
import urllib.request

url, path = sys.argv[1], sys.argv[2]
after = open(path + ".next").read().strip() if os.path.exists(path + ".next") else ""
while True:
    query = "?" + urllib.parse.urlencode({"after": after}) if after else ""
    request = urllib.request.Request(url + query, headers={"Authorization": "Bearer " + os.environ["TOKEN"]})
    with urllib.request.urlopen(request) as answer:
        events, after = json.load(answer), answer.headers["Dewclaw-Next"]
    with open(path, "a", encoding="utf-8") as store:
        for event in events:
            store.write(json.dumps(event) + "\n")
        store.flush()
        os.fsync(store.fileno())
    with open(path + ".new", "w") as cursor:
        cursor.write(after)
    os.replace(path + ".new", path + ".next")
    if not events:
        break
