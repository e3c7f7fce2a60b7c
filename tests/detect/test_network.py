"""Weights as a user runs them. `tiny.npz` holds what torch 2.13 says of a small network of random weights, `tiny.onnx`."""

import json
import shutil
import threading
from pathlib import Path

import cv2
import numpy as np
import pytest

from wlmeasure.detect.channels import Channel
from wlmeasure.detect.network import load_network
from wlmeasure.detect.prepare import Given
from wlmeasure.errors import DetectError

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def peer():
    with np.load(HERE / "tiny.npz") as arrays:
        return dict(arrays)


def given_of(peer):
    return Given(peer["film"], (30, 57), np.array([2.0, 2.5]))


def test_opencv_says_what_torch_says(peer):
    maps = load_network(HERE / "tiny.onnx").run(given_of(peer))
    expected = 1.0 / (1.0 + np.exp(-peer["maps"].astype(np.float64)))
    assert maps.shares.shape == (len(Channel), 32, 64)
    np.testing.assert_allclose(maps.shares[:, :30, :57], expected[:, :30, :57], atol=2e-6)
    assert not maps.shares[:, 30:].any()  # nothing is where there is no film
    assert not maps.shares[:, :, 57:].any()
    kind, size, spread = (float(v) for v in peer["whole"])
    assert maps.periapical == pytest.approx(1.0 / (1.0 + np.exp(-kind)))
    assert maps.mm_per_px == pytest.approx(0.08 * np.exp(size))
    assert maps.mm_per_px_rel_std == pytest.approx(np.exp(0.5 * spread))


def test_each_thread_has_its_own_net(peer):
    """OpenCV's nets are not safe to share: many threads at once give what one gives."""
    network, given = load_network(HERE / "tiny.onnx"), given_of(peer)
    alone = network.run(given).shares
    together: list[np.ndarray] = []

    def work():
        for _ in range(5):
            together.append(network.run(given).shares)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(together) == 20
    assert all(np.array_equal(shares, alone) for shares in together)


@pytest.fixture
def copied(tmp_path):
    for name in ("tiny.onnx", "tiny.json"):
        shutil.copy(HERE / name, tmp_path / name)
    return tmp_path / "tiny.onnx"


def test_weights_that_were_changed_are_refused(copied):
    data = bytearray(copied.read_bytes())
    data[len(data) // 2] ^= 1
    copied.write_bytes(data)
    with pytest.raises(DetectError, match=r"must have the hash that their card says: .* install the package again"):
        load_network(copied)


def test_missing_weights_and_cards_are_told(copied):
    copied.with_suffix(".json").unlink()
    with pytest.raises(DetectError, match=r"weights must be tiny.onnx and tiny.json in .*can still be marked by hand"):
        load_network(copied)


@pytest.mark.parametrize(
    ("text", "message"),
    [("{", "must be JSON"), ("[]", "must have the schema"), ('{"schema": "x"}', "must have the schema")],
)
def test_a_card_of_another_kind_is_refused(copied, text, message):
    copied.with_suffix(".json").write_text(text)
    with pytest.raises(DetectError, match=message):
        load_network(copied)


def test_weights_that_do_not_run_are_told(copied, peer):
    """A file that is no network, with a card that fits it."""
    import hashlib

    copied.write_bytes(b"no network at all")
    card = {"schema": "wlmeasure-look/1", "sha256": hashlib.sha256(copied.read_bytes()).hexdigest()}
    copied.with_suffix(".json").write_text(json.dumps(card))
    with pytest.raises(DetectError, match=r"weights cannot be read by OpenCV .*can still be marked by hand"):
        load_network(copied).run(given_of(peer))


def test_an_opencv_without_networks_is_told(monkeypatch, peer):
    monkeypatch.delattr(cv2, "dnn")
    with pytest.raises(DetectError, match="this OpenCV has no module that runs networks"):
        load_network(HERE / "tiny.onnx").run(given_of(peer))


def test_the_file_is_written_node_by_node_and_stays_the_same(peer):
    pytest.importorskip("onnx")
    from wlmeasure.detect.training.export import onnx_of

    weights = {name.removeprefix("w."): peer[name] for name in peer.files if name.startswith("w.")}
    assert onnx_of(weights) == (HERE / "tiny.onnx").read_bytes()
