"""Recomputes the sharpness measure with OpenCV, independently, and writes the pictures it measured.

usage: sharpness_opencv.py FOLDER_OF_CAMERA_FILES OUT

For every camera picture of at least 1000 px (HEIC included) it writes OUT/<name>.png at 1024 px, the same blurred by a
Gaussian of sigma 1, 2 and 3, and the same moved over 15 px in three directions, and OUT/numbers.json with, for each file:
    series    the picture it comes from
    how       "sharp", "gauss-1", ..., "moved-0", ...
    all       per mille of gradient lost over the strongest 2 % of edges when blurred once more by sigma 1.5
    least     the least of that over four directions of the gradient
    laplace   the variance of the Laplacian, times 1000
    edges     per mille of pixels that are edges
and for every original file at its full size (HEIC as JPEG) the same numbers under "originals", by path.
"""

import json
import os
import sys

import cv2
import numpy as np
import pillow_heif
from PIL import Image

Image.MAX_IMAGE_PIXELS = None
pillow_heif.register_heif_opener()

FLOOR = 4.0  # grey levels a pixel
SHARE = 0.02


def at_1024(rgb):
    height, width = rgb.shape[:2]
    factor = 1024 / max(height, width)
    if factor >= 1:
        return rgb
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)


def gradients(plane):
    gx = cv2.filter2D(plane, cv2.CV_32F, np.array([[-0.5, 0, 0.5]], np.float32))
    gy = cv2.filter2D(plane, cv2.CV_32F, np.array([[-0.5], [0], [0.5]], np.float32))
    return gx[1:-1, 1:-1], gy[1:-1, 1:-1]


def lost(before, after, chosen):
    return 1000 * (1 - float(after[chosen].sum()) / float(before[chosen].sum()))


def strongest(strength, among, count):
    ranked = np.sort(strength[among])[::-1]
    bar = ranked[min(count, len(ranked)) - 1] if len(ranked) else np.inf
    return among & (strength >= max(bar, FLOOR))


def measure(rgb):
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    plane = grey.astype(np.float32)
    gx, gy = gradients(plane)
    bx, by = gradients(cv2.GaussianBlur(plane, (11, 11), 1.5))
    before, after = np.hypot(gx, gy), np.hypot(bx, by)
    pixels = plane.size
    edges = strongest(before, before >= FLOOR, int(pixels * SHARE))
    numbers = {
        "laplace": float(cv2.Laplacian(plane, cv2.CV_32F).var()) * 1000,
        "edges": 1000 * int(edges.sum()) / pixels,
    }
    if edges.sum() * 1000 < pixels * 2:
        return numbers
    numbers["all"] = lost(before, after, edges)
    # The direction of the gradient in steps of 45 degrees.
    way = np.round(np.mod(np.arctan2(gy, gx), np.pi) / (np.pi / 4)).astype(int) % 4
    ways = [numbers["all"]]
    for n in range(4):
        of_the_way = strongest(before, (way == n) & (before >= FLOOR), int(pixels * SHARE / 4))
        if of_the_way.sum() * 10000 >= pixels * 10:
            ways.append(lost(before, after, of_the_way))
    numbers["least"] = min(ways)
    return numbers


def moved(rgb, length, degrees):
    kernel = np.zeros((length + 2, length + 2), np.float32)
    middle = (length + 1) / 2
    step = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    for at in np.linspace(-length / 2, length / 2, length * 8):
        x, y = np.round(middle + at * step).astype(int)
        kernel[y, x] += 1
    return cv2.filter2D(rgb, -1, kernel / kernel.sum())


def main(folder, out):
    os.makedirs(out, exist_ok=True)
    files, originals, seen = {}, {}, set()
    for base, _, names in sorted(os.walk(folder)):
        for name in sorted(names):
            path = os.path.join(base, name)
            try:
                picture = Image.open(path)
                if not 1000 <= max(picture.size) <= 7000:
                    continue
                rgb = np.asarray(picture.convert("RGB"))
            except Exception as why:  # meant to be broken
                print(f"{path}: {why}", file=sys.stderr)
                continue
            small = at_1024(rgb)
            look = cv2.resize(small, (16, 16), interpolation=cv2.INTER_AREA).tobytes()
            if look in seen:
                continue
            seen.add(look)
            key = os.path.relpath(path, folder)
            original = path
            if picture.format not in ("JPEG", "MPO", "PNG", "WEBP"):
                original = os.path.join(out, f"{key.replace('/', '_')}-original.jpg")
                picture.convert("RGB").save(original, quality=92)
            originals[original] = {"series": key} | measure(small)
            variants = {"sharp": small}
            variants |= {f"gauss-{s}": cv2.GaussianBlur(small, (0, 0), s) for s in (1, 2, 3)}
            variants |= {f"moved-{d}": moved(small, 15, d) for d in (0, 23, 60)}
            for how, rgb in variants.items():
                file = f"{key.replace('/', '_')}-{how}.png"
                Image.fromarray(rgb).save(os.path.join(out, file), compress_level=1)
                files[file] = {"series": key, "how": how} | measure(rgb)
    with open(os.path.join(out, "numbers.json"), "w") as stream:
        json.dump({"files": files, "originals": originals, "opencv": cv2.__version__}, stream, indent=1)


if __name__ == "__main__":
    main(*sys.argv[1:])
