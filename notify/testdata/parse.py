"""Reads a message on standard input and writes what Python's email package
makes of it, as JSON: headers in order, every part, and the parser's defects."""
import email, email.policy, hashlib, json, sys

m = email.message_from_bytes(sys.stdin.buffer.read(), policy=email.policy.default)
parts = []
for p in m.walk():
    if p.is_multipart():
        parts.append({"type": p.get_content_type()})
        continue
    c = p.get_content()
    parts.append({
        "type": p.get_content_type(),
        "charset": p.get_content_charset(),
        "id": p.get("Content-ID"),
        "disposition": p.get_content_disposition(),
        "text": c if isinstance(c, str) else None,
        "magic": None if isinstance(c, str) else c[:8].hex(),
    })
json.dump({
    "headers": [[k, str(v)] for k, v in m.items()],
    "parts": parts,
    "defects": [repr(d) for p in m.walk() for d in p.defects],
    "date": m["Date"].datetime.isoformat() if m["Date"] else None,
    "longest": max(len(l) for l in m.as_bytes().split(b"\n")),
}, sys.stdout)
