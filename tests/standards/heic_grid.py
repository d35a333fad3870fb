"""What another decoder makes of HEIC files: the mean colour of each field of an 8 by 8 grid, upright.

usage: heic_grid.py OUT FILE...

OUT is a JSON object: for each FILE of at least 600 px that it can open, a list of 64 lists of red, green, blue.
"""

import json
import sys

import numpy as np
import pillow_heif
from PIL import Image

pillow_heif.register_heif_opener()
grids = {}
for path in sys.argv[2:]:
    try:
        picture = Image.open(path).convert("RGB")
    except Exception as why:  # some are meant to be broken
        print(f"{path}: {why}", file=sys.stderr)
        continue
    if max(picture.size) >= 600:
        fields = picture.resize((8, 8), Image.BOX)
        grids[path] = np.asarray(fields).reshape(64, 3).tolist()
with open(sys.argv[1], "w") as stream:
    json.dump(grids, stream)
