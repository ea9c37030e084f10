"""What a broker output reads when it connects, and what `check` looks at before: password, TLS files, errors in words.

Read at each connection, so that a file that was put right is taken without a restart.
Knows: password files, certificates and keys, $CREDENTIALS_DIRECTORY.
Must not know: any broker library, how messages are sent or confirmed.
"""

import os
import socket
import ssl
from pathlib import Path

from collector.errors import OutputDown
from collector.outputs.messages import Address, QueueSettings, is_bare


def password(output: str, settings: QueueSettings) -> str:
    """The password, "" where there is none.  Raises OutputDown: its file can't be read, or others can read it."""
    if not settings.password_file:
        return ""
    path = _placed(output, settings.password_file)
    try:
        with open(path, "rb") as file:
            mode, said = os.fstat(file.fileno()).st_mode, file.read(65_536)
        text = said.decode().rstrip("\r\n")
    except OSError as error:
        raise OutputDown(output, f"the password file {path} can't be read: {error.strerror}") from error
    except UnicodeDecodeError:
        raise OutputDown(output, f"the password file {path} is not text in UTF-8") from None
    allowed = 0o040 if is_bare(settings.password_file) else 0    # systemd shows its access list as the group's right
    if os.name != "nt" and mode & 0o077 & ~allowed:
        raise OutputDown(output, f"the password file {path} can be read or changed by others; chmod 600 it")
    if not text or "\0" in text:
        raise OutputDown(output, f"the password file {path} holds no password")
    return text


def tls_context(output: str, settings: QueueSettings) -> ssl.SSLContext | None:
    """The broker's certificate and name are verified, TLS 1.2 or later.  None: no TLS.  Raises OutputDown."""
    if not settings.address.is_tls:
        return None
    ca, certificate, key = (_placed(output, one) if one else None
                            for one in (settings.ca_file, settings.certificate_file, settings.key_file))
    try:
        context = ssl.create_default_context(cafile=ca)
        context.sslsocket_class = _Closing
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if certificate:
            context.load_cert_chain(certificate, key, password=lambda: b"")     # never asks a terminal
    except OSError as error:                           # ssl.SSLError is one
        cause = f"its ca-file, certificate-file or key-file can't be used: {error.strerror or error}"
        raise OutputDown(output, cause) from error
    return context


class _Closing(ssl.SSLSocket):
    """Lets go of its line where the handshake fails; the libraries leave it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):          # not blocking: it goes on later
            raise
        except OSError:
            self.close()
            raise


def unreachable(address: Address, error: Exception) -> str:
    """What an error while connecting means to the person who must act."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate of {address} is not trusted: {error.verify_message}; is ca-file the right one?"
    if isinstance(error, ssl.SSLError):
        return (f"no TLS with {address}: {error.reason or error}; "
                "is that its port for TLS, does it want our certificate?")
    if isinstance(error, socket.gaierror):
        return f"the name {address.host} is not known ({error.strerror})"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {address}; is the broker down?"
    if isinstance(error, TimeoutError):
        return f"{address} does not answer"
    return f"{address} can't be reached: {getattr(error, 'strerror', None) or error}"


def _placed(output: str, name: str) -> Path:
    if not is_bare(name):
        return Path(name)
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        raise OutputDown(output, f"{name} is a bare name, but $CREDENTIALS_DIRECTORY is not set; write its whole path")
    return Path(folder) / name


# --- for `check`


def file_faults(output: str, settings: QueueSettings) -> list[tuple[str, str, str]]:
    """(key, what is wrong, what would be right) of the files that are named, without connecting.

    A bare name can't be looked at where $CREDENTIALS_DIRECTORY is not set: only the service has it.
    """
    named = {"password-file": settings.password_file, "ca-file": settings.ca_file,
             "certificate-file": settings.certificate_file, "key-file": settings.key_file}
    placed = {key: _placed(output, name) for key, name in named.items()
              if name and not (is_bare(name) and "CREDENTIALS_DIRECTORY" not in os.environ)}
    found = [(key, *fault) for key, path in placed.items() if (fault := _unreadable(key, path))]
    if found:
        return found
    if "password-file" in placed:
        try:
            password(output, settings)
        except OutputDown as down:
            found.append(("password-file", down.cause, "let it hold the password, and nobody else read it"))
    return found + _tls_faults(placed)


def _unreadable(key: str, path: Path) -> tuple[str, str] | None:
    if not path.is_file():
        return (f"{key} {path} {'is not a file' if path.exists() else 'does not exist'}",
                "write the whole path of the file")
    if not os.access(path, os.R_OK):
        return f"{key} {path} can't be read by this user", "run this as the collector's user, or let it read the file"
    return None


def _tls_faults(placed: dict[str, Path]) -> list[tuple[str, str, str]]:
    found, context = [], ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    ca, certificate, key = map(placed.get, ("ca-file", "certificate-file", "key-file"))
    if ca:
        try:
            context.load_verify_locations(ca)
        except OSError as error:
            found.append(("ca-file", f"ca-file {ca} can't be used: {_reason(error)}", "give the certificate in PEM"))
    if certificate:
        secret = "key-file" if key else "certificate-file"
        if os.name != "nt" and placed[secret].stat().st_mode & 0o027:
            what = f"{secret} {placed[secret]} holds a key that others can read or change"
            found.append((secret, what, "chmod 600 it"))
        try:
            context.load_cert_chain(certificate, key, password=lambda: b"")
        except OSError as error:
            what = f"{certificate} and {key} can't be used together" if key else f"{certificate} can't be used"
            right = "give certificate and key in PEM, the key without a passphrase"
            found.append((secret, f"{what}: {_reason(error)}", right))
    return found


def _reason(error: OSError) -> str:
    if getattr(error, "reason", "") == "KEY_VALUES_MISMATCH":
        return "the key does not fit the certificate"
    return getattr(error, "reason", None) or error.strerror or str(error)
