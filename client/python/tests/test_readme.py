"""README.md is executed: each section on a daemon of its own, its blocks one after another as in a notebook."""

from __future__ import annotations

import contextlib
import io
import os
import pathlib
import re
import subprocess
import tempfile
import unittest
from typing import Any, Dict, List, Tuple
from unittest import mock

from .daemon import CONFIG, PATIENCE_S, Daemon

FOLDER = pathlib.Path(__file__).parents[1]

#: How much faster than real time a section's daemon goes.
SPEEDS = {"In a notebook": 100, "A night in a CSV file": 2000, "A night that belongs to the daemon": 2000}


def sections() -> List[Tuple[str, List[Tuple[str, str]]]]:
    """The page's sections: `(heading, [(language, block), …])`."""
    text = (FOLDER / "README.md").read_text()
    parts = re.split(r"^##? (.+)$", text, flags=re.MULTILINE)[1:]
    blocks = [re.findall(r"^```(\w*)\n(.*?)^```$", body, flags=re.MULTILINE | re.DOTALL) for body in parts[1::2]]
    return list(zip(parts[::2], blocks))


def fits(expected: str, found: str) -> bool:
    """Whether each line is what was expected, where … stands for anything."""
    pattern = ".*".join(re.escape(part) for part in expected.strip().split("…"))
    return re.fullmatch(pattern, found.strip()) is not None


class Readme(unittest.TestCase):
    def run_python(self, block: str, names: Dict[str, Any]) -> str:
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            exec(compile(block, "README.md", "exec"), names)
        return said.getvalue()

    def run_shell(self, block: str) -> str:
        environment = {**os.environ, "SETTLED": str(FOLDER.parents[1])}
        command = ["sh", "-e", "-c", block]
        return subprocess.run(command, env=environment, check=True, timeout=PATIENCE_S, stdout=subprocess.PIPE).stdout.decode()

    def run_section(self, blocks: List[Tuple[str, str]]) -> int:
        names: Dict[str, Any] = {"__name__": "readme"}
        said, count = "", 0
        for language, block in blocks:
            if language == "text":
                self.assertTrue(fits(block, said), f"expected {block!r}, found {said!r}")
                continue
            self.assertIn(language, ("python", "sh"), block)
            said = self.run_shell(block) if language == "sh" else self.run_python(block, names)
            self.assertTrue(said.strip(), f"nothing was said:\n{block}")
            count += 1
        return count

    def test_every_block_of_the_page_runs_as_written(self) -> None:
        count = 0
        here = os.getcwd()
        self.addCleanup(os.chdir, here)
        for heading, blocks in sections():
            if not blocks:
                continue
            speed = SPEEDS.get(heading, 1)
            daemon = Daemon(f"[clock]\nspeed = {speed}\n" + CONFIG)
            try:
                with self.subTest(heading), tempfile.TemporaryDirectory() as folder:
                    os.chdir(folder)
                    with mock.patch.dict(os.environ, {"SETTLED_SOCKET": daemon.socket}):
                        count += self.run_section(blocks)
            finally:
                os.chdir(here)
                daemon.end()
        self.assertGreaterEqual(count, 10)
