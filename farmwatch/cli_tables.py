"""The alarm table as a document."""

from farmwatch.alarms.rules import TABLE

COLUMNS: tuple[str, ...] = (
    "id",
    "condition",
    "consequence",
    "response",
    "within",
    "priority",
    "on_delay_s",
    "off_delay_s",
)


def alarm_rows() -> list[dict[str, str | float]]:
    """One dictionary a rule."""
    return [{name: getattr(rule, name) for name in COLUMNS} for rule in TABLE]


def alarm_table() -> str:
    """A Markdown table."""
    head = ["alarm", "when", "consequence", "response", "within", "priority", "delay", "off delay"]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in alarm_rows():
        cells = [f"{cell:g} s" if isinstance(cell, float) else str(cell).replace("|", "\\|") for cell in row.values()]
        cells[0] = f"`{cells[0]}`"
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"
