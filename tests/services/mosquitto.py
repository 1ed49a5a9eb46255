"""A real Mosquitto on loopback, with a password, TLS and a memory that survives kill -9."""

import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.services.servers import free_port, unprivileged_folder, wait_for

USER, PASSWORD = "shop", "dry@40 %"
# Each change is on the disk at once: the broker may be killed when it has acknowledged a message.
CONFIGURATION = """
per_listener_settings false
allow_anonymous false
password_file {folder}/passwords
persistence true
persistence_location {folder}/
autosave_on_changes true
autosave_interval 1
max_queued_messages 0
listener {port} 127.0.0.1
listener {tls_port} 127.0.0.1
certfile {folder}/certificate.pem
keyfile {folder}/key.pem
"""


@dataclass
class Mosquitto:
    """A broker that can be killed and started again."""

    folder: Path
    user: dict[str, object]
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)
    process: subprocess.Popen | None = None

    @classmethod
    @contextmanager
    def running(cls) -> Iterator["Mosquitto"]:
        with unprivileged_folder() as (folder, user):
            broker = cls(folder, user)
            broker._configure()
            broker.start()
            try:
                yield broker
            finally:
                broker.kill()

    @property
    def certificate(self) -> Path:
        return self.folder / "certificate.pem"

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            command = ["/usr/sbin/mosquitto", "-c", str(self.folder / "configuration")]
            self.process = subprocess.Popen(
                command, cwd=self.folder, stdout=log, stderr=log, env={}, **self.user
            )
        wait_for("Mosquitto", self._answers, every_s=0.02)

    def kill(self) -> None:
        """As a power cut would."""
        assert self.process
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            assert self.process and self.process.poll() is None, (self.folder / "log").read_text()
            return False
        return True

    def _configure(self) -> None:
        ports = {"port": self.port, "tls_port": self.tls_port}
        (self.folder / "configuration").write_text(CONFIGURATION.format(folder=self.folder, **ports))
        passwords = self.folder / "passwords"
        passwords.write_text(f"{USER}:{PASSWORD}\n")
        subprocess.run(["mosquitto_passwd", "-U", passwords], check=True, capture_output=True)
        _write_certificate(self.certificate, self.folder / "key.pem")
        for path in self.folder.iterdir():
            path.chmod(0o644)


def _write_certificate(certificate: Path, key: Path) -> None:
    """For 127.0.0.1, and its own authority."""
    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "broker of the tests")])
    now = datetime.now(UTC)
    signed = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(private, hashes.SHA256())
    )
    certificate.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
    key.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
