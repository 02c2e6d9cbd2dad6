"""The page /sites: how each site stands by the last word of its collector; unknown where that word is old."""

from collections.abc import Mapping, Sequence
from typing import Any

from farmwatch.web import pages
from farmwatch.web.markup import Html, clip, fill, name, span
from farmwatch.web.shop_panels import table

HEADS = ("site", "stands", "what", "heard", "collector")


def page(site: str, rows: Sequence[Mapping[str, Any]], assets: Mapping[str, str], footer: Html) -> str:
    """The whole page; rows as `Several.sites` gives them."""
    lines = [
        [clip(row["site"], 40), row["level"], _words(row), f"{span(row['age_s'])} ago",
         f"{clip(row['collector'], 40)} ({row['link']})"]
        for row in rows
    ]  # fmt: skip
    body = fill(
        '<header><div class="site">{home} <b>{site}</b></div></header><main class="single wider">'
        '<h1>All sites</h1><section class="panel">{rows}</section></main>{footer}',
        home=pages.home("/sites"), site=name(site), footer=footer,
        rows=table(HEADS, lines, "Sites") if lines else "No site has said anything yet.",
    )  # fmt: skip
    return pages.document("Sites", body, assets)


def _words(row: Mapping[str, Any]) -> str:
    title = clip(row["title"], 120)
    return f"{title}; its last word: {clip(row['last'], 120)}" if row["stale"] else title
