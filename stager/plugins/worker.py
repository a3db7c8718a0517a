"""The worker process of one foreign plug-in: `python -P -m stager.plugins.worker PLACE`.

PLACE is JSON: `group`, `name` and `entry` for an installed package, `file` for a Python file, and `memory_bytes`.
Requests come on stdin, answers go to the original stdout; what the plug-in prints is discarded. The process ends when
its stdin closes or its parent ends.
"""

import importlib.metadata
import importlib.util
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from stager.model import Levels
from stager.plugins.describing import description, plugin_of, plugins_in
from stager.plugins.groups import checked
from stager.plugins.kinds import Meter, Plugin, Samples, Step, Stream
from stager.plugins.packing import packed, unpacked
from stager.plugins.wire import WireError, receive, send

try:
    import resource
except ImportError:  # Windows has no such limits; there the time limit stands alone
    resource = None  # type: ignore[assignment]

LOOK_EVERY_S: Final = 1.0
PLUGIN_MODULE: Final = "stager_plugin_file"

Answer = tuple[dict[str, Any], bytes]


class Served:
    """One plug-in; each public method answers the request of its name."""

    def __init__(self, place: Mapping[str, str]) -> None:
        self._place = place
        self._object: Any = None
        self._channels = 1

    def describe(self, _: Mapping[str, Any], __: bytes) -> Answer:
        """Return the descriptions of the plug-ins at this place."""
        return {"plugins": [description(plugin) for plugin in self._all()]}, b""

    def check(self, asked: Mapping[str, Any], _: bytes) -> Answer:
        """Return all settings with defaults filled in, and what is wrong with the given ones."""
        settings, errors = checked(self._one(asked).settings, asked["settings"])
        return {"settings": settings, "errors": errors}, b""

    def open(self, asked: Mapping[str, Any], _: bytes) -> Answer:
        """Make the object that serves one stem."""
        plugin = self._one(asked)
        settings = plugin.settings.model_validate(asked["settings"])
        if issubclass(plugin, Step | Meter):
            stream = Stream(*asked["stream"])
            self._channels = stream.channels
            self._object = plugin(settings, stream)
        else:
            self._object = plugin(settings)  # type: ignore[call-arg]
        return self._shape() if isinstance(self._object, Step) else {}, b""

    def _shape(self) -> dict[str, Any]:
        step = self._object
        out = (step.out.sample_rate_hz, step.out.channels, step.out.frames)
        return {
            "out": [int(value) for value in out],
            "latency_frames": int(step.latency_frames),
            "tail_frames": int(step.tail_frames),
            "listens_first": bool(step.listens_first),
        }

    def listen(self, _: Mapping[str, Any], payload: bytes) -> Answer:
        """Feed a step a block of its first pass."""
        self._object.listen(unpacked(payload, self._channels))
        return {}, b""

    def process(self, _: Mapping[str, Any], payload: bytes) -> Answer:
        """Return a step's output for a block."""
        return self._block(self._object.process(unpacked(payload, self._channels)))

    def finish(self, _: Mapping[str, Any], __: bytes) -> Answer:
        """Return the samples that a step has buffered."""
        return self._block(self._object.finish())

    def update(self, _: Mapping[str, Any], payload: bytes) -> Answer:
        """Feed a meter."""
        self._object.update(unpacked(payload, self._channels))
        return {}, b""

    def result(self, _: Mapping[str, Any], __: bytes) -> Answer:
        """Return a meter's figures."""
        figures = dict(self._object.result())
        return {"figures": {str(k): None if v is None else float(v) for k, v in figures.items()}}, b""

    def findings(self, asked: Mapping[str, Any], _: bytes) -> Answer:
        """Return a check's findings."""
        others = {stem: Levels.model_validate_json(json.dumps(one)) for stem, one in asked["others"].items()}
        found = self._object.findings(asked["stem"], Levels.model_validate_json(json.dumps(asked["levels"])), others)
        return {"findings": [finding.model_dump(mode="json") for finding in found]}, b""

    def wanted(self, asked: Mapping[str, Any], _: bytes) -> Answer:
        """Return the gain that a rule asks for, and its reason."""
        wanted = self._object.wanted(Levels.model_validate_json(json.dumps(asked["levels"])))
        return {"gain_db": float(wanted.gain_db), "because": str(wanted.because)}, b""

    def _block(self, block: Samples) -> Answer:
        channels = self._object.out.channels
        if not isinstance(block, np.ndarray) or block.ndim != 2 or block.shape[1] != channels:
            found = getattr(block, "shape", type(block).__name__)
            raise ValueError(f"wrong shape: expected (frames, {channels}), found {found}")
        return {}, packed(block)

    def _all(self) -> list[type[Plugin]]:
        if "file" in self._place:
            return plugins_in(_module_of(Path(self._place["file"])))
        place = self._place
        found = importlib.metadata.EntryPoint(place["name"], place["entry"], place["group"]).load()
        return [plugin_of(found, place["group"], place["name"])]

    def _one(self, asked: Mapping[str, Any]) -> type[Plugin]:
        wanted = (asked["group"], asked["name"])
        found = next((plugin for plugin in self._all() if (plugin.group, plugin.name) == wanted), None)
        return plugin_of(found, *wanted)


def _module_of(file: Path) -> Any:  # noqa: ANN401 - a module that is made at run time
    known = sys.modules.get(PLUGIN_MODULE)
    if known is not None:
        return known
    spec = importlib.util.spec_from_file_location(PLUGIN_MODULE, file)
    if spec is None or spec.loader is None:
        raise ValueError(f"expected a Python file, found {file.name}")
    module = sys.modules[PLUGIN_MODULE] = importlib.util.module_from_spec(spec)
    sys.dont_write_bytecode = True  # beside the file lies a song, where only `stager` writes
    spec.loader.exec_module(module)
    return module


def serve(served: Served, requests: BinaryIO, answers: BinaryIO) -> None:
    """Answer requests until stdin closes; an exception of the plug-in becomes an error answer."""
    asked_for: dict[str, Callable[[Mapping[str, Any], bytes], Answer]] = {
        name: getattr(served, name) for name in vars(Served) if not name.startswith("_")
    }
    while True:
        try:
            asked, payload = receive(requests)
        except WireError:
            return
        try:
            answer, back = asked_for[asked["do"]](asked, payload)
        except MemoryError:
            answer, back = {"error": "memory"}, b""
        except Exception as error:  # noqa: BLE001 - the edge of the process: all that a plug-in raises ends here
            answer, back = {"error": str(error) or type(error).__name__, "type": type(error).__name__}, b""
        send(answers, answer, back)


def limit_memory(most_bytes: int) -> None:
    """Limit this process to `most_bytes` of address space beyond what it has now, where the system can."""
    statm = Path("/proc/self/statm")
    if resource is None or not statm.exists():
        return
    now_bytes = int(statm.read_text("ascii").split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (now_bytes + most_bytes, now_bytes + most_bytes))


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK_EVERY_S)
    os._exit(1)


def main(place: Mapping[str, Any]) -> None:
    """Serve one plug-in on the process's own pipes."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    threading.Thread(target=_end_with, args=(os.getppid(),), daemon=True).start()
    limit_memory(place["memory_bytes"])
    serve(Served(place), sys.stdin.buffer, answers)


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
