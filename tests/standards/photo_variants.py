"""Makes copies of photos with known changes, for the judgement to be scored on.

usage: photo_variants.py FOLDER OUT

For each photo of FOLDER with at least 600 by 400 px, OUT gets JPEG files of at most 1024 px on the long side, and OUT/variants.json a
list of {"file", "photo", "group", "how"}: group "sharp", "blur", "moved", "light" or "same", and how it was changed.
"""

import json
import os
import sys

import cv2
import numpy as np
from PIL import Image

LONG = 1024


def at(rgb, long):
    height, width = rgb.shape[:2]
    factor = long / max(height, width)
    if factor >= 1:
        return rgb
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)


def moved(rgb, length, degrees):
    """A straight movement: what a hand does while the shutter is open."""
    side = length + 3
    kernel = np.zeros((side, side), np.float32)
    middle = side // 2
    step = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    for place in np.linspace(-length / 2, length / 2, length * 8):
        x, y = np.round(middle + place * step).astype(int)
        kernel[y, x] += 1
    return cv2.filter2D(rgb, -1, kernel / kernel.sum())


def out_of_focus(rgb, radius):
    """A lens out of focus: every point becomes a disc."""
    side = 2 * radius + 1
    y, x = np.mgrid[:side, :side] - radius
    kernel = (x * x + y * y <= radius * radius + radius / 2).astype(np.float32)
    return cv2.filter2D(rgb, -1, kernel / kernel.sum())


def light(rgb, gain, noise, random):
    """Light as a sensor adds it, in linear values, with its noise and its clipping."""
    linear = (rgb.astype(np.float32) / 255) ** 2.2 * gain
    linear += random.normal(0, 1, rgb.shape).astype(np.float32) * noise
    return (np.clip(linear, 0, 1) ** (1 / 2.2) * 255 + 0.5).astype(np.uint8)


def turned(rgb, degrees):
    """Turned about its middle, and the corners cut away."""
    height, width = rgb.shape[:2]
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1)
    full = cv2.warpAffine(rgb, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return full


def cropped(rgb, per_cent):
    height, width = rgb.shape[:2]
    x, y = round(width * per_cent / 200), round(height * per_cent / 200)
    return rgb[y : height - y, x : width - x]


def save(path, rgb, quality=92, orientation=None):
    picture = Image.fromarray(np.ascontiguousarray(rgb))
    exif = Image.Exif()
    if orientation:
        exif[0x0112] = orientation
    picture.save(path, quality=quality, exif=exif)


def main(folder, out):
    os.makedirs(out, exist_ok=True)
    random = np.random.default_rng(7)
    made = []
    photos = []
    for name in sorted(os.listdir(folder)):
        if name.endswith(".jpg") and min(np.array(Image.open(os.path.join(folder, name)).size) / (600, 400)) >= 1:
            photos.append(os.path.join(folder, name))
    for number, path in enumerate(photos):
        rgb = at(np.asarray(Image.open(path).convert("RGB")), LONG)

        def put(group, how, changed, **rest):
            file = f"{number:03}-{group}-{how.replace(' ', '-')}.jpg"
            save(os.path.join(out, file), changed, **rest)
            made.append({"file": file, "photo": number, "group": group, "how": how})

        put("sharp", "as it is", rgb)
        for sigma in (1, 2, 3):
            put("blur", f"gauss {sigma}", cv2.GaussianBlur(rgb, (0, 0), sigma))
        for radius in (2, 4, 8):
            put("blur", f"disc {radius}", out_of_focus(rgb, radius))
        for length in (8, 15, 30):
            for degrees in (0, 35, 80):
                put("moved", f"{length} px at {degrees}", moved(rgb, length, degrees))
        for name, gain, noise in (("1/64", 1 / 64, 0.0005), ("1/8", 1 / 8, 0.002), ("1/2", 0.5, 0.004), ("2", 2, 0.004), ("16", 16, 0.01)):
            put("light", name.replace("/", " of "), light(rgb, gain, noise, random))
        put("same", "half the size", at(rgb, LONG // 2))
        put("same", "quality 35", rgb, quality=35)
        put("same", "half the light", light(rgb, 0.5, 0.004, random))
        put("same", "grey", np.repeat(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2))
        put("same", "blurred", cv2.GaussianBlur(rgb, (0, 0), 2))
        # Stored lying on its side, as phones do, and upright by its EXIF orientation.
        put("same", "stored turned", np.rot90(rgb, 1), orientation=6)
        for share in (2, 5, 10, 20):
            put("same", f"cropped {share}", cropped(rgb, share))
        for degrees in (1, 3):
            put("same", f"turned {degrees}", turned(rgb, degrees))
        put("same", "mirrored", rgb[:, ::-1])
    with open(os.path.join(out, "variants.json"), "w") as stream:
        json.dump({"photos": photos, "variants": made}, stream, indent=1)


if __name__ == "__main__":
    main(*sys.argv[1:])
