"""Signs in at a demo, opens an intake and prints the shop and the intake: something for requests to be about."""

import json
import sys
import urllib.request
import uuid

address = sys.argv[1]


def ask(path, body=None, token=None):
    headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {token}"} if token else {})
    data = json.dumps(body).encode() if body is not None else None
    with urllib.request.urlopen(urllib.request.Request(address + path, data, headers), timeout=60) as answer:
        return json.load(answer)


def uuid7(ms, number):
    """A UUIDv7 (RFC 9562 5.7) of a time and a number."""
    return str(uuid.UUID(int=ms << 80 | 7 << 76 | 2 << 62 | number))


me = ask("/v1/tokens", {"sign_in": "ines", "password": "tarn-street-demo"})
token, shop = me["access"], me["shop"]
kind = ask(f"/v1/shops/{shop}/kinds", token=token)[0]
now = ask("/v1")["now"]
intake = uuid7(1_795_600_800_000, 1)
said = {
    "author": {"staff": me["staff"], "device": me["device"]},
    "body": {"kind": kind["digest"], "kind_id": kind["kind"]["id"], "tag": "0001", "how": "at counter"},
    "clock": {"at": now, "offset_minutes": 0},
    "id": uuid7(1_795_600_800_000, 2),
    "intake": intake,
    "shop": shop,
    "type": "intake-opened",
    "v": 1,
}
ask(f"/v1/shops/{shop}/entries", {"said": said}, token)
print(shop, intake)
