"""The network that reads a crop: shipped weights, run by OpenCV's own inference."""

import threading
from functools import cache
from importlib import resources

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, Float32Array, FloatArray
from macrocheck.segment.maps import RegionMaps

STEP = 32
"""The network halves its input five times: sides must be multiples of this, px."""
TEMPERATURE = 1.0
"""Divides the logits, so that probabilities are calibrated (docs/model-card.md says on what)."""

_LOCK = threading.Lock()


@cache
def _network() -> "cv2.dnn.Net":
    weights = resources.files("macrocheck.segment").joinpath("weights.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))


def normalised(pixels: ByteArray) -> Float32Array:
    """(h, w, 3) uint8 RGB -> (1, 3, h, w) float32 with mean 0 and standard deviation 1, as in training."""
    picture = np.moveaxis(pixels, 2, 0).astype(np.float32)
    return np.ascontiguousarray((picture - picture.mean()) / (picture.std() + 4.0))[None]


def run(pixels: ByteArray) -> Float32Array:
    """Run the network on (h, w, 3) RGB, sides multiples of `STEP`; returns (11, h, w) float32 logits."""
    with _LOCK:
        net = _network()
        net.setInput(normalised(pixels))
        return np.array(net.forward()[0], np.float32)


def _sigmoid(x: Float32Array) -> Float32Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -30, 30))), np.float32)


def maps_of(logits: Float32Array, to_photo: FloatArray) -> RegionMaps:
    """Turn (11, h, w) logits into maps; `to_photo`: (2, 3), map pixel to photo pixel."""
    scaled = logits[:4] / TEMPERATURE
    e = np.exp(scaled - scaled.max(axis=0))
    lines, points = _sigmoid(logits[4:8]), _sigmoid(logits[8:11])
    return RegionMaps(
        regions=np.asarray(e / e.sum(axis=0), np.float32),
        haz=lines[0],
        fusion_line=lines[1],
        seam=lines[2],
        void=lines[3],
        points=points,
        to_photo=to_photo,
    )
