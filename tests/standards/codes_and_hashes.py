"""Makes pictures of codes, and says what another reader makes of them; and another program's hashes of photos.

usage: codes_and_hashes.py PHOTOS REAL OUT

OUT gets pictures of codes: generated ones on a photo of the folder PHOTOS, as a label is photographed, and the pictures of
the folder REAL as JPEG; and OUT/codes.json, a list of {"file", "format", "text", "how", "theirs"}: what stands in it where
that is known, and what zxing-cpp reads of the three formats. OUT/hashes.json has imagehash's dhash of each photo, by path.
"""

import json
import os
import sys

import imagehash
import numpy as np
import zxingcpp
from PIL import Image, ImageFilter

FORMATS = {"qr": zxingcpp.BarcodeFormat.QRCode, "data matrix": zxingcpp.BarcodeFormat.DataMatrix, "code 128": zxingcpp.BarcodeFormat.Code128}
WORDS = {str(f).split(".")[-1].replace(" ", "").lower(): word for word, f in FORMATS.items()}
TEXTS = ["178302944", "A260-0417", "SN:7K-20931;MOD:A260", "https://example.invalid/p/178302944", "0417 A 260 2019"]


def label(word, text, module):
    """A code in dark grey on a light plate, `module` pixels a module, with its quiet zone."""
    code = zxingcpp.create_barcode(text, FORMATS[word])
    modules = Image.fromarray(np.asarray(zxingcpp.write_barcode_to_image(code, scale=1, add_quiet_zones=True)))
    width, height = modules.size
    if word == "code 128":
        modules = modules.resize((width, max(height, 30)), Image.NEAREST)
        width, height = modules.size
    modules = modules.resize((width * module, height * module), Image.NEAREST)
    return modules.point(lambda v: 40 if v < 128 else 215).convert("L")


def photographed(photo, plate, degrees, blur, lean):
    """The plate on the photo: turned, leaning back, a little out of focus."""
    width, height = plate.size
    if lean:
        # The far edge is shorter.
        inset = round(width * lean)
        corners = [(0, 0), (0, height), (width, height), (width, 0)]
        to = [(inset, 0), (0, height), (width, height), (width - inset, 0)]
        rows, right = [], []
        for (x, y), (u, v) in zip(corners, to):
            rows += [[u, v, 1, 0, 0, 0, -x * u, -x * v], [0, 0, 0, u, v, 1, -y * u, -y * v]]
            right += [x, y]
        plate = plate.transform((width, height), Image.PERSPECTIVE, np.linalg.solve(np.array(rows), np.array(right)), Image.BICUBIC, fillcolor=215)
    plate = plate.rotate(degrees, Image.BICUBIC, expand=True, fillcolor=215)
    ground = photo.copy()
    ground.paste(plate, ((ground.width - plate.width) // 2, (ground.height - plate.height) // 2))
    return ground.filter(ImageFilter.GaussianBlur(blur)) if blur else ground


def theirs(picture):
    found = zxingcpp.read_barcodes(picture, formats=list(FORMATS.values()))
    return sorted({f"{WORDS[str(c.format).split('.')[-1].replace(' ', '').lower()]} {c.text}" for c in found})


def main(photos, real, out):
    os.makedirs(out, exist_ok=True)
    names = sorted(n for n in os.listdir(photos) if n.endswith(".jpg"))
    grounds = []
    for name in names:
        picture = Image.open(os.path.join(photos, name)).convert("L")
        if min(picture.size) >= 900 and len(grounds) < 6:
            picture.thumbnail((1600, 1600))
            grounds.append(picture)
    made = []

    def keep(name, picture, **what):
        path = os.path.join(out, name + ".jpg")
        picture.convert("RGB").save(path, quality=88)
        made.append({"file": name + ".jpg", "theirs": theirs(Image.open(path)), **what})

    ways = {
        "straight": (4, 0, 0, 0), "small": (2, 0, 0, 0), "turned 10": (4, 10, 0, 0), "turned 45": (4, 45, 0, 0), "turned 90": (4, 90, 0, 0),
        "upside down": (4, 180, 0, 0), "leaning": (4, 0, 0, 0.12), "soft": (4, 0, 1.2, 0), "soft and turned": (4, 20, 1.2, 0.05),
    }
    for word in FORMATS:
        for n, text in enumerate(TEXTS):
            for way, (module, degrees, blur, lean) in ways.items():
                # A long line of bars has to fit on the photo.
                module = min(module, 2) if word == "code 128" and len(text) > 12 else module
                picture = photographed(grounds[n % len(grounds)], label(word, text, module), degrees, blur, lean)
                keep(f"{word}-{n}-{way}".replace(" ", "-"), picture, format=word, text=text, how=way)
    for name in sorted(os.listdir(real)):
        picture = Image.open(os.path.join(real, name)).convert("RGBA")
        white = Image.new("RGBA", picture.size, "white")
        keep(f"real-{name}", Image.alpha_composite(white, picture).convert("RGB"), how="real")
    with open(os.path.join(out, "codes.json"), "w") as stream:
        json.dump(made, stream, indent=1)
    hashes = {os.path.join(photos, n): str(imagehash.dhash(Image.open(os.path.join(photos, n)))) for n in names}
    with open(os.path.join(out, "hashes.json"), "w") as stream:
        json.dump(hashes, stream, indent=1)


if __name__ == "__main__":
    main(*sys.argv[1:])
