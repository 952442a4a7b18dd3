"""Checks a copy of a book and its seals with nothing of the program: written from RFC 6962 (Merkle trees and consistency proofs), RFC 8032
(Ed25519) and the C2SP specifications signed-note and tlog-checkpoint, with Python's own hashes and whole numbers.

    check.py FOLDER     which holds book.jsonl, key, seal-0, seal-1 and proof

Prints nothing and ends with 0 when all of it holds.
"""

import base64
import hashlib
import json
import sys
from pathlib import Path

# Ed25519: RFC 8032, section 5.1. Points are pairs of numbers; slow, and plainly the formulas.
P = 2**255 - 19
D = -121665 * pow(121666, -1, P) % P
ORDER = 2**252 + 27742317777372353535851937790883648493


def add(one, two):
    (x1, y1), (x2, y2) = one, two
    both = D * x1 * x2 * y1 * y2 % P
    return ((x1 * y2 + x2 * y1) * pow(1 + both, -1, P) % P, (y1 * y2 + x1 * x2) * pow(1 - both, -1, P) % P)


def times(number, point):
    found = (0, 1)
    while number:
        if number & 1:
            found = add(found, point)
        point, number = add(point, point), number >> 1
    return found


def decode(octets):
    """Section 5.1.3."""
    number = int.from_bytes(octets, "little")
    y, sign = number % 2**255, number >> 255
    square = (y * y - 1) * pow(D * y * y + 1, -1, P) % P
    x = pow(square, (P + 3) // 8, P)
    if x * x % P != square:
        x = x * pow(2, (P - 1) // 4, P) % P
    assert y < P and x * x % P == square, "no point of the curve"
    return (P - x if x % 2 != sign else x, y)


BASE = decode((4 * pow(5, -1, P) % P).to_bytes(32, "little"))


def is_signed(public, message, signature):
    """Section 5.1.7, without the cofactor."""
    r, s = signature[:32], int.from_bytes(signature[32:], "little")
    k = int.from_bytes(hashlib.sha512(r + public + message).digest(), "little") % ORDER
    return s < ORDER and times(s, BASE) == add(decode(r), times(k, decode(public)))


def published():
    """RFC 8032, section 7.1, test 2."""
    public = bytes.fromhex("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c")
    signature = bytes.fromhex(
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    assert is_signed(public, b"\x72", signature) and not is_signed(public, b"\x73", signature)


def root(hashes):
    """MTH: RFC 6962, section 2.1."""
    if len(hashes) < 2:
        return hashes[0] if hashes else hashlib.sha256().digest()
    half = 1 << (len(hashes) - 1).bit_length() - 1
    return hashlib.sha256(b"\x01" + root(hashes[:half]) + root(hashes[half:])).digest()


def proof(old, hashes, whole=True):
    """SUBPROOF: RFC 6962, section 2.1.2."""
    if old == len(hashes):
        return [] if whole else [root(hashes)]
    half = 1 << (len(hashes) - 1).bit_length() - 1
    if old <= half:
        return proof(old, hashes[:half], whole) + [root(hashes[half:])]
    return proof(old - half, hashes[half:], False) + [root(hashes[:half])]


def opened(note, key):
    """The lines of a note that the key has signed."""
    text, signatures = note.rsplit("\n\n", 1)
    text += "\n"
    name, number, encoded = key.split("+", 2)
    kind, public = base64.b64decode(encoded)[:1], base64.b64decode(encoded)[1:]
    identity = hashlib.sha256(name.encode() + b"\n" + kind + public).digest()[:4]
    assert kind == b"\x01" and identity.hex() == number, "no Ed25519 key"
    for line in signatures.splitlines():
        dash, who, signature = line.split(" ")
        signature = base64.b64decode(signature)
        if dash == "\u2014" and who == name and signature[:4] == identity:
            assert is_signed(public, text.encode(), signature[4:]), "forged"
            return text.splitlines()
    raise AssertionError("not signed")


def main(folder):
    published()
    lines = (folder / "book.jsonl").read_bytes().splitlines(keepends=True)
    head, end = json.loads(lines[0]), json.loads(lines[-1])
    assert hashlib.sha256(b"".join(lines[:-1])).hexdigest() == end["sha256"]
    leaves, balances = [], {}
    for line in lines[1:-1]:
        value = json.loads(line)
        if "leaf" in value:
            leaves.append((hashlib.sha256(b"\x00" + line.rstrip(b"\n")).digest(), value))
    hashes = [hash for hash, _ in leaves]
    assert len(hashes) == head["size"] and root(hashes).hex() == head["root"]
    key = (folder / "key").read_text().strip()
    sizes = []
    for name in ("seal-0", "seal-1"):
        origin, size, sealed, closing, *lots = opened((folder / name).read_text(), key)
        size = int(size)
        assert origin == f"outturn/{head['site']}"
        assert root(hashes[:size]) == base64.b64decode(sealed)
        assert closing.split(" ")[1] == leaves[size - 1][1]["id"]
        # What stood in the house at the end of the closed day, summed from the movements alone.
        balances = {}
        for _, leaf in leaves[:size]:
            for moved in leaf.get("movements", []):
                if leaf["day"] <= closing.split(" ")[2]:
                    for place, sign in ((moved["from"], -1), (moved["to"], 1)):
                        at = (moved["lot"], place["place"])
                        balances[at] = balances.get(at, 0) + sign * moved["mass_mg"]
        inside = ("batch", "packed", "roasted", "store", "transit")
        assert lots == [f"lot {lot} {place} {mg} mg" for (lot, place), mg in sorted(balances.items()) if mg and place in inside]
        sizes.append(size)
    said = json.loads((folder / "proof").read_text())
    assert [said["old"], said["new"]] == sizes
    assert said["nodes"] == [node.hex() for node in proof(sizes[0], hashes[: sizes[1]])]


if __name__ == "__main__":
    main(Path(sys.argv[1]))
