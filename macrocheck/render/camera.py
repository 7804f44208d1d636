"""From a scene's tones to the photograph of it: light, lens, sensor, file."""

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, Float32Array
from macrocheck.render.looks import Camera
from macrocheck.render.textures import white


def light(scene: Float32Array, camera: Camera, rng: np.random.Generator) -> Float32Array:
    """Light a scene (h, w, 3): gradient, vignette, glare, gain, tone curve and colour cast."""
    h, w = scene.shape[:2]
    y = np.linspace(-1, 1, h, dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, w, dtype=np.float32)[None]
    a = np.deg2rad(camera.gradient_deg)
    field: AnyArray = 1 + np.float32(camera.gradient) * (np.float32(np.cos(a)) * x + np.float32(np.sin(a)) * y)
    field = field - np.float32(camera.vignette) * (x * x + y * y) / 2
    out: AnyArray = scene * (np.maximum(field, 0.05) * np.float32(camera.gain))[..., None]
    if camera.glare > 0:
        cx, cy = rng.uniform(-0.9, 0.9, 2)
        size = camera.glare_size
        spot = np.exp(-0.5 * (((x - cx) / (size * rng.uniform(0.7, 2))) ** 2 + ((y - cy) / size) ** 2))
        out = out + (camera.glare * spot.astype(np.float32))[..., None]
    if camera.gamma != 1:
        out = 255 * np.power(np.clip(out, 0, 255) / 255, np.float32(camera.gamma))
    return np.asarray(out * np.asarray(camera.cast, np.float32), dtype=np.float32)


def expose(scene: Float32Array, camera: Camera, rng: np.random.Generator) -> Float32Array:
    """Pass a lit scene through lens and sensor: blur, depth of field, noise, sharpening."""
    out: AnyArray = scene
    if camera.blur_px > 0.05:
        out = cv2.GaussianBlur(out, (0, 0), camera.blur_px)
    if camera.defocus_px > 0.3:
        soft = cv2.GaussianBlur(out, (0, 0), camera.defocus_px)
        h, w = out.shape[:2]
        a = rng.uniform(0, 2 * np.pi)
        y = np.linspace(-1, 1, h, dtype=np.float32)[:, None]
        x = np.linspace(-1, 1, w, dtype=np.float32)[None]
        share = np.clip((np.float32(np.cos(a)) * x + np.float32(np.sin(a)) * y - 0.2) / 0.9, 0, 1)[..., None]
        out = out * (1 - share) + soft * share
    shape = (out.shape[0], out.shape[1])
    if camera.noise > 0:
        out = out + (white(rng, shape) * np.float32(camera.noise))[..., None]
    if camera.chroma_noise > 0:
        small = (shape[0] // 2 + 1, shape[1] // 2 + 1)
        colour = np.dstack([white(rng, small) for _ in range(3)]) * np.float32(camera.chroma_noise)
        out = out + cv2.resize(colour, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    if camera.sharpen > 0:
        out = out + (out - cv2.GaussianBlur(out, (0, 0), 1.6)) * np.float32(camera.sharpen)
    return np.asarray(out, dtype=np.float32)


def store(picture: AnyArray, camera: Camera) -> ByteArray:
    """Round to 8 bits and pass through the file's compression (`jpeg` over 100: none)."""
    rgb: AnyArray = np.clip(picture + 0.5, 0, 255).astype(np.uint8)
    if camera.grey:
        rgb = cv2.cvtColor(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
    if camera.jpeg <= 100:
        data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg])[1]
        stored: AnyArray | None = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if stored is None:
            msg = "the compressed picture could not be read back"
            raise RuntimeError(msg)
        rgb = np.ascontiguousarray(stored[..., ::-1])
    return np.asarray(rgb, dtype=np.uint8)
