"""Who may look and who may act: two passwords, one cookie, and one table.

`web_password` opens everything; `look_password` only what is read. Without a password the page is for this computer
alone and everybody there may act.
"""

import hmac

from farmwatch.web import sessions

ACT, LOOK = "act", "look"
MAY_WRITE: dict[str, frozenset[str]] = {
    # role: paths to which it may send something; ACT may send to every path
    LOOK: frozenset({"/sign-in", "/sign-out"}),
}
READS = frozenset({"GET", "HEAD"})


def may(role: str, method: str, path: str) -> bool:
    """Whether somebody with `role` may ask for this."""
    return role == ACT or method in READS or path in MAY_WRITE.get(role, frozenset())


class Roles:
    """The page's passwords.

    Args:
        password: for everything; None leaves the page open.
        look_password: for looking; None if there is none, and without a password for everything it means nothing.
        key: at least 32 secret bytes.
    """

    def __init__(self, password: str | None, look_password: str | None, key: bytes) -> None:
        self._by_role: dict[str, sessions.Sessions] = {}
        if password:
            self._by_role[ACT] = sessions.Sessions(password, key)
            if look_password and not hmac.compare_digest(look_password.encode(), password.encode()):
                self._by_role[LOOK] = sessions.Sessions(look_password, key, role=LOOK)

    @property
    def needed(self) -> bool:
        """Whether anybody has to sign in."""
        return bool(self._by_role)

    def role(self, cookie: str | None, now_s: float) -> str | None:
        """The role that `cookie` stands for; None: not signed in."""
        if not self._by_role:
            return ACT
        return next((role for role, kept in self._by_role.items() if kept.valid(cookie, now_s)), None)

    def right(self, attempt: str) -> str | None:
        """The role whose password `attempt` is; some 50 ms of processor time a role: call it in a thread."""
        found = [role for role, kept in self._by_role.items() if kept.right(attempt)]
        return found[0] if found else None

    def open(self, role: str, now_s: float) -> str:
        """A new session's cookie."""
        return self._by_role[role].open(now_s)

    def close(self, cookie: str | None, now_s: float) -> None:
        """Sign out."""
        for kept in self._by_role.values():
            kept.close(cookie, now_s)
