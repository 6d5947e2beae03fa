"""A PostgreSQL server of a test's own, which it may stop and start as it likes."""

import os
import pwd
import re
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path

import pytest

ROOT_IS_REFUSED = "postgres"  # PostgreSQL does not run as root: then as this user


class PrivatePostgres:
    """A server in a folder of its own, on a free port of loopback."""

    def __init__(self) -> None:
        """Make its data directory; skip the test where there is no PostgreSQL to do it."""
        self.bin = _programs()
        self.user = ROOT_IS_REFUSED if os.geteuid() == 0 else None
        if self.user:
            try:
                pwd.getpwnam(self.user)
            except KeyError:
                _missing("there is no user postgres to run a PostgreSQL server as")
        # not in pytest's folder, which no other user may enter
        self.data = Path(tempfile.mkdtemp(prefix="viscosity-spc-postgres-"))
        if self.user:
            shutil.chown(self.data, self.user)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.runs = False
        self._call("initdb", "-D", str(self.data), "-A", "trust", "-U", "postgres", "-N")
        self.start()

    @property
    def url(self) -> str:
        """Its address."""
        return f"postgresql+psycopg://postgres@127.0.0.1:{self.port}/postgres"

    def start(self) -> None:
        """Start it and wait until it answers; nothing if it runs."""
        if self.runs:
            return
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories="
        self._call(
            *("pg_ctl", "-D", str(self.data), "-w", "-l", str(self.data / "log")),
            *("-o", f"{options} -c fsync=off", "start"),
        )
        self.runs = True

    def stop(self) -> None:
        """Stop it at once, as a crash would; nothing if it does not run."""
        if not self.runs:
            return
        self._call("pg_ctl", "-D", str(self.data), "-m", "immediate", "stop")
        self.runs = False

    def close(self) -> None:
        """Stop it and clear away its folder."""
        self.stop()
        shutil.rmtree(self.data)

    def _call(self, program: str, *arguments: str) -> None:
        with tempfile.TemporaryFile("w+") as output:  # no pipe: the server would keep it open
            ended = subprocess.run(
                [str(self.bin / program), *arguments],
                check=False,
                user=self.user,
                cwd="/",
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
            )
            output.seek(0)
            assert ended.returncode == 0, output.read()


def _programs() -> Path:
    found = list(Path("/usr/lib/postgresql").glob("*/bin"))
    if not found:
        _missing("there is no PostgreSQL in /usr/lib/postgresql")
    return max(found, key=lambda path: [int(n) for n in re.findall(r"\d+", str(path))])


def _missing(why: str) -> None:
    if os.environ.get("VISCOSITY_SPC_REQUIRE_ALL"):
        pytest.fail(f"{why}, and it is required here")
    pytest.skip(why)
