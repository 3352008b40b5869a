"""The end of a file."""

from binascii import b2a_base64


def main(path: str, offset: int) -> None:
    """Print it from that byte on, in lines of base64."""
    with open(path, "rb") as file:
        file.seek(offset)
        while True:
            data = file.read(1536)
            if not data:
                break
            print(str(b2a_base64(data), "ascii"), end="")
