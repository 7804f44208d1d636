"""Painting, the network, its training and its export; only where the extra `train` is installed."""

import subprocess
import sys
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest

pytest.importorskip("torch", reason="the extra macrocheck[train] is not installed")
pytest.importorskip("onnx", reason="the extra macrocheck[train] is not installed")

import onnx
import torch
from torch import Tensor

from macrocheck.train.camera import block_compression, blur
from macrocheck.train.layouts import batches
from macrocheck.train.mean import mean
from macrocheck.train.model import OUTPUTS, SectionNet
from macrocheck.train.painting import paint
from macrocheck.train.run import losses, mirrored, normalised
from macrocheck.train.take_up import take_up, unfolded

SIZE = 64
SHIPPED = Path(str(resources.files("macrocheck.segment").joinpath("weights.onnx")))


def layouts(count: int) -> dict[str, Tensor]:
    batch = next(batches(np.random.default_rng(1), SIZE, count))
    return {name: torch.from_numpy(values) for name, values in batch.items()}


def test_paint() -> None:
    torch.manual_seed(0)
    picture, targets = paint(layouts(5))
    assert picture.shape == (5, 3, SIZE, SIZE)
    assert 0 <= float(picture.min()) < float(picture.max()) <= 255
    assert targets["regions"].shape == (5, SIZE, SIZE)
    assert set(torch.unique(targets["regions"]).tolist()) <= {0, 1, 2, 3}
    for name, channels in (("lines", 4), ("line_weight", 4), ("points", 3)):
        assert targets[name].shape == (5, channels, SIZE, SIZE)
        assert float(targets[name].min()) >= 0
        assert float(targets[name].max()) <= 1.0001


def test_a_mirrored_layout_is_mirrored_twice_over_itself() -> None:
    layout = layouts(2)
    twice = mirrored(mirrored(layout))
    for name, values in layout.items():
        assert torch.allclose(twice[name].float(), values.float(), atol=1e-3), name


def test_size_of_the_network() -> None:
    net = SectionNet()
    assert 3.6e6 < sum(p.numel() for p in net.parameters()) < 3.8e6  # docs/model-card.md
    assert net(torch.zeros(1, 3, 64, 96)).shape == (1, OUTPUTS, 64, 96)


def test_normalised_as_at_run_time() -> None:
    from macrocheck.segment.network import normalised as at_run_time

    pixels = np.random.default_rng(0).integers(0, 256, (32, 64, 3)).astype(np.uint8)
    trained = normalised(torch.from_numpy(np.moveaxis(pixels, 2, 0)[None].astype(np.float32)))
    assert np.allclose(trained.numpy(), at_run_time(pixels), atol=1e-3)


def test_blur_against_opencv() -> None:
    # External check: OpenCV's Gaussian blur, away from the border, which the two treat differently.
    image = np.random.default_rng(0).uniform(0, 255, (48, 48)).astype(np.float32)
    ours = blur(torch.from_numpy(image)[None, None], torch.full((1, 1, 1, 1), 1.5))[0, 0].numpy()
    theirs = cv2.GaussianBlur(image, (25, 25), 1.5)
    assert np.abs(ours - theirs)[13:-13, 13:-13].max() < 0.05


def test_finest_compression_changes_little() -> None:
    image = torch.rand(1, 1, 16, 16) * 255
    assert float((block_compression(image, torch.full((1, 1, 1, 1), 0.02)) - image).abs().max()) < 4


def test_losses_fall_for_the_right_answer() -> None:
    torch.manual_seed(0)
    _, targets = paint(layouts(3))
    right = torch.cat([
        20.0 * torch.nn.functional.one_hot(targets["regions"], 4).permute(0, 3, 1, 2).float() - 10,
        torch.logit(targets["lines"].clamp(1e-4, 1 - 1e-4)),
        torch.logit(targets["points"].clamp(1e-4, 1 - 1e-4)),
    ], dim=1)  # fmt: skip
    good, bad = losses(right, targets), losses(-right, targets)
    assert set(good) == {"cross", "dice", "line", "thin", "point"}
    for name, value in good.items():
        assert float(value) < 0.5 * float(bad[name]) + 1e-6, name
    assert float(good["cross"]) < 0.01


def test_training_goes_on_where_it_stopped_and_exports_what_opencv_runs(tmp_path: Path) -> None:
    first, second, target = tmp_path / "first", tmp_path / "second", tmp_path / "weights.onnx"
    short = ["--minutes", "0.01", "--total-minutes", "0.1", "--size", "64", "--batch", "2", "--no-compile"]
    for arguments in (["--out", str(first)], ["--state", str(first), "--out", str(second)]):
        command = [sys.executable, "-m", "macrocheck.train.run", *arguments, *short]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
        assert done.returncode == 0, done.stderr
        assert "held back:" in done.stdout
    one, two = (torch.load(folder / "facts.pt") for folder in (first, second))
    assert two["steps"] > one["steps"] > 0
    assert two["calls"] == 2
    command = [sys.executable, "-m", "macrocheck.train.export", str(second / "average.pt"), str(target)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    assert target.stat().st_size < 8_000_000
    net = SectionNet()
    net.load_state_dict(torch.load(second / "average.pt"))
    net.eval()
    picture = np.random.default_rng(0).normal(size=(1, 3, 64, 96)).astype(np.float32)
    with torch.no_grad():
        ours = net(torch.from_numpy(picture)).numpy()
    # External check: OpenCV's own inference. Weights are rounded to half precision, three digits.
    run = cv2.dnn.readNetFromONNX(str(target))
    run.setInput(picture)
    assert np.abs(run.forward() - ours).max() < 0.02 * np.abs(ours).max()


def test_the_shipped_network_taken_up_says_what_the_file_says(tmp_path: Path) -> None:
    take_up(SHIPPED, tmp_path, size=96, count=8)
    net = SectionNet()
    net.load_state_dict(torch.load(tmp_path / "weights.pt"))
    torch.manual_seed(2)
    pictures = normalised(paint(layouts(24))[0])
    run = cv2.dnn.readNetFromONNX(str(SHIPPED))
    run.setInput(pictures[:4].numpy())
    # External check: OpenCV's own inference of the file. Both start from the same rounded weights.
    theirs = run.forward()
    with torch.no_grad():
        still = net.eval()(pictures[:4]).numpy()
        # Where means and variances are those of the batch itself, learning changes nothing either.
        learning = unfolded(SHIPPED, pictures).train()(pictures)[:4].numpy()
    assert np.abs(still - theirs).max() < 1e-3 * np.abs(theirs).max()
    assert np.abs(learning - theirs).max() < 0.03 * np.abs(theirs).max()


def test_another_network_is_not_taken_up(tmp_path: Path) -> None:
    model = onnx.load(str(SHIPPED))
    del model.graph.node[-1]
    onnx.save(model, str(tmp_path / "headless.onnx"))
    with pytest.raises(ValueError, match="another network"):
        take_up(tmp_path / "headless.onnx", tmp_path / "state", size=64, count=2)
    assert not (tmp_path / "state").exists()


def _one_layer(path: Path, value: float, name: str = "w") -> Path:
    """A network that adds one stored half-precision number."""
    h = onnx.helper
    half = onnx.TensorProto.FLOAT16
    ends = [h.make_tensor_value_info(n, half, [1]) for n in ("x", "y")]
    stored = onnx.numpy_helper.from_array(np.array([value], np.float16), name)
    graph = h.make_graph([h.make_node("Add", ["x", name], ["y"])], "g", ends[:1], ends[1:], [stored])
    onnx.save(h.make_model(graph, opset_imports=[h.make_opsetid("", 17)]), str(path))
    return path


def test_mean_of_two_networks_lies_between_them(tmp_path: Path) -> None:
    before, after = _one_layer(tmp_path / "a.onnx", 1.0), _one_layer(tmp_path / "b.onnx", 3.0)
    mean(before, after, tmp_path / "mean.onnx", share=0.25)
    stored = onnx.load(str(tmp_path / "mean.onnx")).graph.initializer
    assert [onnx.numpy_helper.to_array(t).tolist() for t in stored] == [[1.5]]
    with pytest.raises(ValueError, match="not the same network"):
        mean(_one_layer(tmp_path / "c.onnx", 1.0, "other"), after, tmp_path / "mean.onnx")
