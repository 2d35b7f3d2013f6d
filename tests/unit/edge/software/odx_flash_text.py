"""Text of small ODX-F files of our own invention."""

from __future__ import annotations

import io
import zipfile

HEX = ":10100000000102030405060708090A0B0C0D0E0F68\n:02102000AABB69\n:00000001FF\n"
"""Bytes 00 to 0F at 0x1000, AA BB at 0x1020."""


def element(tag: str, text: object, attributes: str = "") -> str:
    return f"<{tag}{' ' if attributes else ''}{attributes}>{text}</{tag}>"


def segment(name: str, start: int, size: int | None = 16, rest: str = "") -> str:
    return (
        f'<SEGMENT ID="seg.{name}"><SHORT-NAME>{name}</SHORT-NAME>'
        f"<SOURCE-START-ADDRESS>{start:08X}</SOURCE-START-ADDRESS>"
        + (element("UNCOMPRESSED-SIZE", size) if size is not None else "")
        + rest
        + "</SEGMENT>"
    )


def block(name: str, segments: str = "", rest: str = "", kind: str = "CODE", flash="fd") -> str:
    return (
        f'<DATABLOCK ID="db.{name}" TYPE="{kind}"><SHORT-NAME>{name}</SHORT-NAME>'
        + (f'<FLASHDATA-REF ID-REF="{flash}"/>' if flash else "")
        + (element("SEGMENTS", segments) if segments else "")
        + rest
        + "</DATABLOCK>"
    )


def session(name: str, *blocks: str, rest: str = "") -> str:
    refs = "".join(f'<DATABLOCK-REF ID-REF="db.{each}"/>' for each in blocks)
    return (
        f'<SESSION ID="ses.{name}"><SHORT-NAME>{name}</SHORT-NAME>'
        f"{rest}<DATABLOCK-REFS>{refs}</DATABLOCK-REFS></SESSION>"
    )


def flash_data(data: str = HEX, selection: str = "INTEL-HEX", name: str = "fd", rest="") -> str:
    return (
        f'<FLASHDATA ID="{name}" xsi:type="INTERN-FLASHDATA"><SHORT-NAME>{name}</SHORT-NAME>'
        f'<DATAFORMAT SELECTION="{selection}"/>{rest}<DATA>{data}</DATA></FLASHDATA>'
    )


def extern_data(file: str, selection: str = "MOTOROLA-S") -> str:
    return (
        '<FLASHDATA ID="fd" xsi:type="EXTERN-FLASHDATA"><SHORT-NAME>fd</SHORT-NAME>'
        f'<DATAFORMAT SELECTION="{selection}"/><DATAFILE LATEBOUND-DATAFILE="false">{file}'
        "</DATAFILE></FLASHDATA>"
    )


EXPECTED = (
    '<EXPECTED-IDENTS><EXPECTED-IDENT ID="ei.hw"><SHORT-NAME>hardware_number</SHORT-NAME>'
    '<IDENT-VALUES><IDENT-VALUE TYPE="A_ASCIISTRING">MTC-270</IDENT-VALUE>'
    '<IDENT-VALUE TYPE="A_BYTEFIELD">0A0B</IDENT-VALUE></IDENT-VALUES>'
    "</EXPECTED-IDENT></EXPECTED-IDENTS>"
)


def checksum(result: str, *, end: int = 0x100F, alg: str = "CRC32", rest: str = "") -> str:
    return (
        '<CHECKSUMS><CHECKSUM ID="cs.one"><SHORT-NAME>one</SHORT-NAME>'
        f"<SOURCE-START-ADDRESS>00001000</SOURCE-START-ADDRESS>{element('CHECKSUM-ALG', alg)}"
        f"<SOURCE-END-ADDRESS>{end:08X}</SOURCE-END-ADDRESS>"
        f'{rest}<CHECKSUM-RESULT TYPE="A_BYTEFIELD">{result}</CHECKSUM-RESULT>'
        "</CHECKSUM></CHECKSUMS>"
    )


def flash(sessions: str, blocks: str, data: str | None = None) -> bytes:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<ODX MODEL-VERSION="2.2.0" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">'
        '<FLASH ID="fl"><SHORT-NAME>invented</SHORT-NAME><ECU-MEMS><ECU-MEM ID="em">'
        "<SHORT-NAME>memory</SHORT-NAME><MEM>"
        + element("SESSIONS", sessions)
        + element("DATABLOCKS", blocks)
        + element("FLASHDATAS", flash_data() if data is None else data)
        + "</MEM></ECU-MEM></ECU-MEMS></FLASH></ODX>"
    ).encode()


def pack(odx: bytes, **files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as container:
        container.writestr("invented.odx-f", odx)
        for name, data in files.items():
            container.writestr(name.replace("_dot_", "."), data)
    return out.getvalue()
