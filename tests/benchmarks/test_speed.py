"""Speed, apart from the tests: run with ``pytest tests/benchmarks --benchmark-only``."""

import cases
import numpy as np
import plain
import pytest

from drape import pipeline, publish
from drape.job.job import load_job


@pytest.fixture(scope="module")
def hemisphere():
    case = cases.hemisphere()
    case.net(2.0)  # compiled, and patches made
    return case


def test_nodes_per_second(benchmark, hemisphere):
    """One thread, about 120 000 nodes; the rate is in ``extra_info``."""
    net = benchmark(hemisphere.net, 0.5)
    count = int(net.known.sum())
    benchmark.extra_info["nodes"] = count
    benchmark.extra_info["nodes_per_second"] = count / benchmark.stats["min"]


def test_drape_of_ten_thousand_nodes(benchmark, hemisphere):
    net = benchmark(hemisphere.net, 1.73)
    benchmark.extra_info["nodes"] = int(net.known.sum())


def test_plain_closest_point_net(benchmark, hemisphere):
    """The plain version: 20 × 20 nodes; compare its rate with the first one."""
    start = np.array([0.0, 0.0, -60.0])
    x, y = np.eye(3)[:2]
    benchmark.pedantic(
        plain.plain_quadrant,
        args=(hemisphere.surface, start, x, y, 2.0, 20),
        rounds=1,
    )
    benchmark.extra_info["nodes_per_second"] = 400 / benchmark.stats["min"]


def test_whole_demo(benchmark, tmp_path):
    job = load_job(publish.copy_demo(tmp_path / "job"))
    pipeline.run(job)  # compiled

    def demo():
        return publish.publish(pipeline.run(job), tmp_path / "patterns")

    benchmark.pedantic(demo, rounds=2)
