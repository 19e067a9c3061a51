"""Shared by all tests: programs they need, a real broker on loopback, waiting with a deadline."""

import json
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.publish
import pytest
from hypothesis import HealthCheck, settings

# A busy machine is slow now and then; that is no fault of what is tested.
settings.register_profile("tankwatch", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("tankwatch")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Take two workers a core for `-n auto`: much of the suite waits for brokers, lines and terminals."""
    return 2 * (os.cpu_count() or 1)


def need_program(name: str) -> str:
    """Return the path of the program `name`; skip the test, with the reason, where it is absent.

    With TANKWATCH_TEST_ALL=1 in the environment an absent program fails the test instead.
    """
    path = shutil.which(name, path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")
    if path is not None:
        return path
    reason = f"the program {name} is not installed"
    if os.environ.get("TANKWATCH_TEST_ALL") == "1":
        pytest.fail(f"{reason}, and TANKWATCH_TEST_ALL=1 asks for every test")
    pytest.skip(reason)


def need_file(path: Path, package: str) -> Path:
    """Return `path`; skip the test where it is absent, or fail it, as `need_program` does."""
    if path.exists():
        return path
    reason = f"{path} is not there; it comes with the package {package}"
    if os.environ.get("TANKWATCH_TEST_ALL") == "1":
        pytest.fail(f"{reason}, and TANKWATCH_TEST_ALL=1 asks for every test")
    pytest.skip(reason)


def wait_until(condition: Callable[[], object], what: str, timeout_s: float = 10.0) -> None:
    """Poll `condition` until it is true; fail the test, naming `what`, after `timeout_s` seconds."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            pytest.fail(f"waited {timeout_s:g} s in vain for: {what}")
        time.sleep(0.01)


def free_port() -> int:
    """Return a TCP port that was free on loopback a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class MosquittoBroker:
    """A mosquitto process on loopback, that tests may stop and start again on the same port."""

    folder: Path
    settings: tuple[str, ...] = ("allow_anonymous true",)
    """Lines of its configuration beside the listener."""
    username: str | None = None
    password: str | None = None
    tls_ca_file: Path | None = None
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and return when it accepts connections."""
        program = need_program("mosquitto")
        config = self.folder / "mosquitto.conf"
        # Started by root, mosquitto would change to a user who cannot read the test's folder.
        lines = [f"listener {self.port} 127.0.0.1", "persistence false", "user root", *self.settings]
        config.write_text("\n".join(lines) + "\n")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)
        wait_until(self._accepts, f"mosquitto on port {self.port}")

    def _accepts(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            pytest.fail("mosquitto ended: " + (self.folder / "mosquitto.log").read_text(errors="replace"))
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            return False
        return True

    @property
    def pid(self) -> int:
        """Number of its process."""
        assert self._process is not None
        return self._process.pid

    def stop(self) -> None:
        """End it at once; its clients see their connections close."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=10)
            self._process = None

    def publish(self, topic: str, payload: str | bytes, retain: bool = False, qos: int = 1) -> None:
        """Publish one message and return when the broker has it."""
        self.publish_many([(topic, payload)], retain=retain, qos=qos)

    def publish_many(
        self, messages: list[tuple[str, str | bytes]], retain: bool = False, qos: int = 1
    ) -> None:
        """Publish messages in order over one connection."""
        paho.mqtt.publish.multiple(
            [{"topic": t, "payload": p, "qos": qos, "retain": retain} for t, p in messages],
            hostname="127.0.0.1",
            port=self.port,
            auth={"username": self.username, "password": self.password or ""} if self.username else None,
            tls={"ca_certs": str(self.tls_ca_file)} if self.tls_ca_file else None,
        )


@pytest.fixture
def make_mosquitto(tmp_path: Path) -> Iterator[Callable[..., MosquittoBroker]]:
    """Start brokers with settings of their own: `make_mosquitto(settings=(…), username=…)`."""
    brokers: list[MosquittoBroker] = []

    def make(**options: object) -> MosquittoBroker:
        folder = tmp_path / f"mosquitto{len(brokers)}"
        folder.mkdir()
        broker = MosquittoBroker(folder, **options)  # type: ignore[arg-type]
        brokers.append(broker)
        broker.start()
        return broker

    yield make
    for broker in brokers:
        broker.stop()


@pytest.fixture
def mosquitto_broker(make_mosquitto: Callable[..., MosquittoBroker]) -> MosquittoBroker:
    """A running broker without password: `.port`, `.stop()`, `.start()`, `.publish(…)`."""
    return make_mosquitto()


@pytest.fixture
def own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a watch put its socket beside the test's other files."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate authority of our own, and a certificate for 127.0.0.1 that it signed."""
    openssl = need_program("openssl")
    folder = tmp_path_factory.mktemp("certificates")

    def run(*arguments: str) -> None:
        subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)

    # Key usage and key identifiers: Python 3.13 and later verify strictly (RFC 5280 section 4.2.1).
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    usage = ("-addext", "keyUsage=critical,keyCertSign,cRLSign")
    for name in ("ca", "other"):
        files = ("-keyout", f"{name}.key", "-out", f"{name}.crt")
        run("req", "-x509", *key, "-days", "30", "-subj", f"/CN={name}", *usage, *files)
    run("req", *key, "-subj", "/CN=broker", "-keyout", "broker.key", "-out", "broker.csr")
    (folder / "broker.ext").write_text(
        "subjectAltName=IP:127.0.0.1\nsubjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n"
    )
    run(
        *("x509", "-req", "-in", "broker.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial"),
        *("-days", "30", "-extfile", "broker.ext", "-out", "broker.crt"),
    )
    return folder


@dataclass
class PostgresServer:
    """A PostgreSQL server of the tests' own; it refuses root, so it then runs as the user `postgres`."""

    folder: Path
    port: int = field(default_factory=free_port)
    databases: int = 0

    def start(self) -> None:
        """Make the data folder if it is not there, start, and return when it answers."""
        data = self.folder / "data"
        if not data.exists():
            if os.geteuid() == 0:
                shutil.chown(self.folder, "postgres", "postgres")
            self.run("initdb", "-D", str(data), "-A", "trust", "-U", "owner", "--no-sync", "-E", "UTF8")
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1 -c shared_buffers=16MB"
        log = str(self.folder / "log")
        self.run("pg_ctl", "-D", str(data), "-w", "-l", log, "-o", options, "start")

    def stop(self, mode: str = "immediate") -> None:
        """End it; `immediate` is as if it were killed."""
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", mode, "stop", check=False)

    def url(self, database: str, user: str = "owner", port: int | None = None) -> str:
        """Return the address of a database over TCP."""
        return f"postgresql://{user}@127.0.0.1:{port or self.port}/{database}"

    def new_database(self) -> str:
        """Make an empty database; return its address."""
        self.databases += 1
        name = f"room{self.databases}"
        self.run("createdb", "-h", str(self.folder), "-p", str(self.port), "-U", "owner", name)
        return self.url(name)

    def run(self, program: str, *arguments: str, check: bool = True) -> None:
        """Run a program of the server as a user whom it accepts."""
        found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"))
        assert found, f"{program} of the package postgresql is not there"
        user = "postgres" if os.geteuid() == 0 else None
        subprocess.run(
            [str(found[-1]), *arguments],
            user=user,
            group=user,
            extra_groups=[] if user else None,
            cwd=self.folder,
            check=check,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=60,
        )


@dataclass(frozen=True)
class CheckRow:
    """One row of tests/data/check_values: what a published source or a library says, and which."""

    id: str
    quantity: str
    inputs: dict[str, Any]
    expected: Any
    unit: str
    tolerance: Any
    tolerance_kind: str
    source: str
    basis: str

    def agrees(self, *values: float) -> None:
        """Fail, naming the source, unless `values` equal what is expected within the row's tolerance."""
        expected = self.expected if isinstance(self.expected, list) else [self.expected]
        tolerances = self.tolerance if isinstance(self.tolerance, list) else [self.tolerance] * len(expected)
        assert len(values) == len(expected), f"{self.id}: {len(values)} values for {len(expected)}"
        for value, wanted, tolerance in zip(values, expected, tolerances, strict=True):
            allowed = tolerance * abs(wanted) if self.tolerance_kind == "rel" else tolerance
            assert abs(value - wanted) <= allowed, (
                f"{self.id}: {value} is not {wanted} ± {allowed} {self.unit} ({self.quantity}; {self.source})"
            )


@pytest.fixture(scope="session")
def check_row() -> Callable[[str], CheckRow]:
    """Return the row of tests/data/check_values with this id."""
    rows: dict[str, CheckRow] = {}
    for path in sorted((Path(__file__).parent / "data" / "check_values").glob("*.json")):
        for row in json.loads(path.read_text(encoding="utf-8")):
            rows[row["id"]] = CheckRow(**row)
    return rows.__getitem__


@pytest.fixture(scope="session")
def format_checks() -> dict[str, dict[str, Any]]:
    """Check values of published formats by id; each row names its source."""
    path = Path(__file__).parent / "data" / "formats_check_values.json"
    return {row["id"]: row for row in json.loads(path.read_text(encoding="utf-8"))["checks"]}


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    """A private PostgreSQL on a Unix socket and a loopback port: `.url(database)`, `.new_database()`."""
    need_file(Path("/usr/lib/postgresql"), "postgresql")
    server = PostgresServer(Path(tempfile.mkdtemp(prefix="pg", dir="/tmp")))
    try:
        server.start()
        yield server
    finally:
        server.stop()
        shutil.rmtree(server.folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server: PostgresServer) -> str:
    """The address of an empty database."""
    return postgres_server.new_database()


@pytest.fixture(scope="session")
def postgres_shared_url(postgres_server: PostgresServer) -> str:
    """The address of one database for all tests that take a room of their own in it."""
    return postgres_server.new_database()
