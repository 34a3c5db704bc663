"""Who may read from our OPC UA server, and that reading is all they may do.

A client comes in with a certificate that lies in our folder of certificates and, if there is one, with the
password; where security is none, everybody who reaches the port. Whoever comes in is an ordinary user: write
requests are refused before they are looked at, and the methods of a condition answer that access is denied.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from asyncua import ua
from asyncua.crypto import uacrypto
from asyncua.crypto.permission_rules import SimpleRoleRuleset, User, UserRole
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from cryptography.hazmat.primitives.serialization import Encoding

from steadyhead.errors import FeedError
from steadyhead.feeds.settings import read_secret
from steadyhead.outward.settings import OpcUaOut

_POLICIES = {
    "none": ua.SecurityPolicyType.NoSecurity,
    "Basic256Sha256": ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    "Aes128Sha256RsaOaep": ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    "Aes256Sha256RsaPss": ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
}
_REFUSED_METHODS = (
    ObjectIds.ConditionType_Enable,
    ObjectIds.ConditionType_Disable,
    ObjectIds.ConditionType_AddComment,
    ObjectIds.AcknowledgeableConditionType_Acknowledge,
    ObjectIds.AcknowledgeableConditionType_Confirm,
)


class _Readers:
    """Lets in who has one of the certificates and, if there is one, the password; all as ordinary users."""

    def __init__(self, certificates: set[bytes] | None, username: str | None, password: str | None) -> None:
        self._certificates, self._username, self._password = certificates, username, password

    def get_user(
        self, iserver: Any, username: str | None = None, password: str | None = None,
        certificate: bytes | None = None,
    ) -> User | None:  # fmt: skip
        """What asyncua asks when a session begins; ``certificate`` is that of the secured channel."""
        del iserver
        if self._certificates is not None and certificate not in self._certificates:
            return None
        if self._username is not None and (username, password) != (self._username, self._password):
            return None
        return User(role=UserRole.User)


class _ReadOnly(SimpleRoleRuleset):
    """What a user of asyncua may do, without writing."""

    def check_validity(self, user: User, action_type_id: ua.NodeId, body: Any) -> bool:
        """Whether a request is looked at at all."""
        if action_type_id == ua.NodeId(ua.Int32(ObjectIds.WriteRequest_Encoding_DefaultBinary)):
            return False
        return bool(super().check_validity(user, action_type_id, body))  # type: ignore[no-untyped-call]


async def refuse(parent: ua.NodeId, *arguments: Any) -> ua.StatusCode:
    """What a method answers that is not ours to offer."""
    del parent, arguments
    return ua.StatusCode(ua.UInt32(StatusCodes.BadUserAccessDenied))


async def made_server(settings: OpcUaOut, where: str) -> Server:
    """A server that is not started yet. Raises FeedError."""
    certificates, password = None, None
    if settings.password_file is not None:
        password = read_secret(settings.password_file, "password")
    if settings.clients_folder is not None and settings.security != "none":
        certificates = await _certificates(settings.clients_folder, where)
    server = Server(user_manager=_Readers(certificates, settings.username, password))  # type: ignore[arg-type]
    server.name = "Steadyhead alerts"
    server.iserver.bind_condition_methods = True
    if settings.security != "none":
        try:
            await server.load_certificate(str(settings.certificate_file))
            await server.load_private_key(str(settings.key_file))
        except (OSError, ValueError) as exc:
            raise FeedError(
                f"{where}: a certificate or key cannot be used ({exc}); mend certificate_file or key_file"
            ) from exc
    await server.init()
    await server.set_application_uri("urn:steadyhead:server")
    server.allow_remote_admin(False)
    server.set_endpoint(f"opc.tcp://{settings.host}:{settings.port}/steadyhead")
    server.set_security_policy([_POLICIES[settings.security]], _ReadOnly())  # type: ignore[no-untyped-call]
    tokens = ua.AnonymousIdentityToken if settings.username is None else ua.UserNameIdentityToken
    server.set_identity_tokens([tokens])
    for method in _REFUSED_METHODS:
        server.link_method(server.get_node(method), refuse)
    return server


async def _certificates(folder: Path, where: str) -> set[bytes]:
    """Certificates of clients, DER or PEM, as the channel gives them."""
    found = set()
    files = sorted([*folder.glob("*.der"), *folder.glob("*.pem")])
    for file in files:
        try:
            made = await uacrypto.load_certificate(file)
            found.add(made.public_bytes(Encoding.DER))
        except (OSError, ValueError) as exc:
            raise FeedError(
                f"{where}: {file} is no certificate ({exc}); mend it, or take it out of clients_folder"
            ) from exc
    if not files:
        raise FeedError(
            f"{where}: {folder} holds no certificate; put those of the clients into clients_folder, "
            "as .der or .pem"
        )
    return found
