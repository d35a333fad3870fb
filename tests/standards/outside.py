"""Signs in as the owner and asks for a stamp and a witness's signature now: outside.py ADDRESS NAME PASSWORD."""

import http.cookiejar
import json
import sys
import urllib.request

address, name, password = sys.argv[1:]
browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))


def post(path, body):
    headers = {"Content-Type": "application/json", "Counterfoil-Client": "test"}
    asked = urllib.request.Request(address + path, json.dumps(body).encode(), headers, method="POST")
    with browser.open(asked, timeout=60) as answer:
        return json.load(answer)


who = post("/v1/sessions", {"sign_in": name, "password": password})
for what in ("stamps", "witnessed"):
    said = post(f"/v1/shops/{who['shop']}/{what}", {})
    assert "waiting" not in json.dumps(said), said
