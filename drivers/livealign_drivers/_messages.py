"""What links that carry whole messages have in common."""

__all__ = ["as_line"]


def as_line(payload: bytes) -> bytes:
    """Return a message that ends in a newline, so that formats of lines see its end."""
    return payload if payload.endswith(b"\n") else payload + b"\n"
