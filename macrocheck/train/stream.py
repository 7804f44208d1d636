"""Layouts as an endless stream of tensors, made by worker processes beside the GPU."""

from collections.abc import Iterator

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.utils.data import IterableDataset, get_worker_info

from macrocheck.train.layouts import batches


class Layouts(IterableDataset[dict[str, Tensor]]):
    """Endless batches of `batch` layouts of `size` px square, different in every worker and for every seed."""

    def __init__(self, size: int, batch: int, seed: int) -> None:
        super().__init__()
        self.size, self.batch, self.seed = size, batch, seed

    def __iter__(self) -> Iterator[dict[str, Tensor]]:
        """Yield batches, each a dict of stacked tensors."""
        cv2.setNumThreads(1)
        info = get_worker_info()
        rng = np.random.default_rng([self.seed, 0 if info is None else info.id])
        for batch in batches(rng, self.size, self.batch):
            yield {name: torch.from_numpy(values) for name, values in batch.items()}
