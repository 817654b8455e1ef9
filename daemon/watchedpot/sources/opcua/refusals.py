"""What it means when an OPC UA server says no, by the code of its answer (OPC UA Part 4, 7.39)."""

from __future__ import annotations

from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError

from watchedpot.errors import SourceNotTrusted, SourceRefused, SourceSlotTaken

NO_SLOT = frozenset(
    {
        StatusCodes.BadTooManySessions,
        StatusCodes.BadMaxConnectionsReached,
        StatusCodes.BadTcpNotEnoughResources,
    }
)
"""The server has no session or connection left."""

NOT_US = frozenset(
    {
        StatusCodes.BadCertificateUntrusted,
        StatusCodes.BadSecurityChecksFailed,
        StatusCodes.BadCertificateInvalid,
        StatusCodes.BadCertificateTimeInvalid,
        StatusCodes.BadCertificateIssuerTimeInvalid,
        StatusCodes.BadCertificateHostNameInvalid,
        StatusCodes.BadCertificateUriInvalid,
        StatusCodes.BadCertificateUseNotAllowed,
        StatusCodes.BadCertificateIssuerUseNotAllowed,
        StatusCodes.BadCertificateRevoked,
        StatusCodes.BadCertificateIssuerRevoked,
        StatusCodes.BadCertificateRevocationUnknown,
        StatusCodes.BadCertificateIssuerRevocationUnknown,
        StatusCodes.BadCertificateChainIncomplete,
        StatusCodes.BadApplicationSignatureInvalid,
    }
)
"""The server does not accept the certificate that we show."""

NOT_THIS_USER = frozenset(
    {
        StatusCodes.BadIdentityTokenInvalid,
        StatusCodes.BadIdentityTokenRejected,
        StatusCodes.BadUserAccessDenied,
        StatusCodes.BadUserSignatureInvalid,
    }
)
"""The server does not let us log on as the user that we named."""

TOO_MUCH = frozenset(
    {
        StatusCodes.BadTooManyOperations,
        StatusCodes.BadEncodingLimitsExceeded,
        StatusCodes.BadResponseTooLarge,
        StatusCodes.BadRequestTooLarge,
        StatusCodes.BadTcpMessageTooLarge,
    }
)
"""A request was too large, or its answer would be; a smaller one may do."""


USER_PAUSE_S = 60.0
"""How long a server that refused our user is left alone [s]: many tries can lock the user out."""


class UserRefused(SourceNotTrusted):
    """The server does not let us log on as the user that we named."""


def code_of(error: UaError) -> int:
    """Code of a refusal; 0 where it has none."""
    code = getattr(error, "code", 0)
    return code if isinstance(code, int) else 0


def text_of(error: BaseException) -> str:
    """What an error of the library says, or else its kind."""
    return str(error) or type(error).__name__


def refusal_of(where: str, error: UaError, *, wait_s: float) -> SourceRefused:
    """Our error for a server that refuses a connection or a session.

    Parameters
    ----------
    where
        The source concerned.
    error
        What the library raised.
    wait_s : float
        How long a server without a free slot is left alone. [s]
    """
    code, text = code_of(error), text_of(error)
    if code in NO_SLOT:
        return SourceSlotTaken(
            where,
            f"the server has no session left for us: {text}; it is left alone for {wait_s:g} s, so"
            " that sessions nobody uses can end",
            hint="close other clients of it, or allow it more sessions",
        )
    if code in NOT_US:
        return SourceNotTrusted(
            where,
            f"the server does not trust our certificate: {text}",
            hint="have it accepted there by a qualified person",
        )
    if code in NOT_THIS_USER:
        return UserRefused(
            where,
            f"the server does not accept our user: {text}; it is left alone for {USER_PAUSE_S:g} s,"
            " since many tries can lock a user out",
            hint="correct the user or its password, or have it set up there",
        )
    return SourceRefused(where, f"session refused: {text}")
