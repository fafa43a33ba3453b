#!/usr/bin/env python3
"""Receives events as signed webhooks (Standard Webhooks 1.0.0) with nothing but Python's own library.

Usage: SECRET=whsec_… webhook.py PORT FILE

Each event is a line of FILE, once, safely on the disk before it is answered.
"""
import base64
import hashlib
import hmac
import http.server
import json
import os
import sys
import threading
import time

port, path = int(sys.argv[1]), sys.argv[2]
key = base64.b64decode(os.environ["SECRET"].removeprefix("whsec_"))
have = set()
if os.path.exists(path):
    have = {json.loads(line)["id"] for line in open(path, encoding="utf-8")}
store = open(path, "a", encoding="utf-8")
lock = threading.Lock()


def signed(headers, body):
    """Tells whether whoever has the key made this request, within the last five minutes."""
    name, at = headers.get("webhook-id", ""), headers.get("webhook-timestamp", "")
    if not at.isdigit() or abs(time.time() - int(at)) > 300:
        return False
    mac = hmac.new(key, f"{name}.{at}.".encode() + body, hashlib.sha256).digest()
    want = "v1," + base64.b64encode(mac).decode()
    return any(hmac.compare_digest(want, got) for got in headers.get("webhook-signature", "").split())


def keep(event):
    with lock:
        if event["id"] not in have:
            store.write(json.dumps(event) + "\n")
            store.flush()
            os.fsync(store.fileno())
            have.add(event["id"])


class Receiver(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        status = 204
        if not signed(self.headers, body):
            status = 401
        else:
            keep(json.loads(body))
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_):
        pass


http.server.ThreadingHTTPServer(("127.0.0.1", port), Receiver).serve_forever()
