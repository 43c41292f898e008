"""Invented claims and remittances, written the way a practice's software writes them."""

from __future__ import annotations

from pathlib import Path

ISA = "ISA*00*          *00*          *ZZ*SENDERX        *ZZ*RECEIVERX      *240311*0930*^*00501*{number:09}*0*{use}*:"
BILLING = "NM1*85*2*ALDER ROW DENTAL*****XX*1234567893"
OPENING = ["BHT*0019*00*1*20240311*0930*CH", "HL*1**20*1", BILLING]
SUBSCRIBER = ["HL*2*1*22*0", "SBR*P*18*******CI", "NM1*IL*1*TESTER*ALEX****MI*MEMB0001", "DMG*D8*19710402*F"]
PAYER = "NM1*PR*2*DEMO PAYER*****PI*PAY01"


def interchange(
    *transactions: list[str],
    kind: str = "837",
    version: str = "005010X224A2",
    number: int = 1,
    made: str = "20240311*0930",
    use: str = "P",
) -> list[str]:
    """The segments of one interchange around the bodies of its transactions, with true counts."""
    inner: list[str] = []
    for place, body in enumerate(transactions, 1):
        control = f"{place:04}"
        inner += [f"ST*{kind}*{control}*{version}", *body, f"SE*{len(body) + 2}*{control}"]
    group = [f"GS*HC*SENDERX*RECEIVERX*{made}*{number}*X*{version}", *inner, f"GE*{len(transactions)}*{number}"]
    return [ISA.format(number=number, use=use), *group, f"IEA*1*{number:09}"]


def write(path: Path, *interchanges: list[str], end: str = "~\n") -> Path:
    """Write interchanges; `end` stands behind each segment."""
    path.write_text("".join(segment + end for segments in interchanges for segment in segments))
    return path


def claim(
    *lines: list[str], number: str = "PCN-0001", frequency: str = "1", extra: tuple[str, ...] = (), head: str = ""
) -> list[str]:
    """A claim and its lines; `head` is what follows the ninth element."""
    body = [f"CLM*{number}*2395***11:B:{frequency}*Y*A*Y*Y{head}", *extra]
    for place, line in enumerate(lines, 1):
        body += [f"LX*{place}", *line]
    return body


def line(
    code: str = "D2740",
    tooth: str | None = "TOO*JP*30",
    *,
    day: str | None = "20230112",
    fee: str = "1145",
    control: str = "",
) -> list[str]:
    """A line of a claim."""
    body = [f"SV3*AD:{code}*{fee}****1"]
    body += [tooth] if tooth else []
    body += [f"DTP*472*D8*{day}"] if day else []
    return body + ([f"REF*6R*{control}"] if control else [])


def claims(*bodies: list[str]) -> list[str]:
    """The body of a transaction with claims of one subscriber, who is the patient."""
    return [*OPENING, *SUBSCRIBER, PAYER, *(segment for body in bodies for segment in body)]


def remittance(
    *parts: tuple[str, str, list[tuple[str, str]]], trace: str = "CHK0001", day: str = "20230301"
) -> list[str]:
    """The body of an 835: per claim its number, its status and (control number, charge) of its lines."""
    body = [
        f"BPR*I*900*C*CHK************{day}",
        f"TRN*1*{trace}*1999999999",
        "N1*PE*ALDER ROW DENTAL*XX*1234567893",
        "LX*1",
    ]
    for number, status, lines in parts:
        body.append(f"CLP*{number}*{status}*{sum(float(c) for _, c in lines):g}*0**12*PAYER-{number}")
        for control, charge in lines:
            body += [f"SVC*AD:D2740*{charge}*0**1", "DTM*472*20230112", f"REF*6R*{control}"]
    return body
