"""The sheet for the shed door as one self-contained web page, for paper and for phones; pure."""

from __future__ import annotations

from html import escape

from bottomheat.season.sheet import BoxOnSheet, Group, Sheet

_STYLE = """
:root { color-scheme: light; }
body { font: 1rem/1.35 system-ui, sans-serif; color: #111; background: #fff; margin: 0 auto;
  max-width: 48rem; padding: 1rem; overflow-wrap: break-word; }
h1 { font-size: 1.4rem; margin: 0; display: flex; justify-content: space-between; gap: 1rem; }
h2 { font-size: 1.15rem; margin: 1rem 0 .3rem; border-bottom: 2px solid #111; }
h3 { font-size: 1rem; margin: .6rem 0 .2rem; }
p, ul, dl { margin: .3rem 0; }
ul { padding-left: 1.2rem; }
.call { display: flex; flex-wrap: wrap; gap: .5rem 2rem; margin: .9rem 0; }
.call span { flex: 1 1 14rem; border-bottom: 1px solid #111; }
.do { border: 2px solid #111; padding: .3rem .6rem; font-weight: bold; }
dl div { display: grid; grid-template-columns: 13rem 1fr; gap: .6rem; break-inside: avoid; }
dt { font-family: ui-monospace, monospace; font-size: .9rem; }
dd { margin: 0; }
@media (max-width: 34rem) {
  dl div { display: block; margin-top: .4rem; }
  dt { font-weight: bold; }
}
@page { margin: 11mm; }
@media print {
  html { font-size: 8.4pt; }
  body { line-height: 1.2; max-width: none; padding: 0; }
  h2 { margin-top: .7rem; }
  h2, h3, .do { break-after: avoid; }
  .later dl { columns: 2; column-gap: 1.5rem; }
  .later dl div { grid-template-columns: 10rem 1fr; }
}
"""


def render(page: Sheet) -> str:
    """The page as HTML: nothing is fetched, nothing runs."""
    boxes = "\n".join(_box(box) for box in page.boxes)
    if page.outside:
        boxes += f"\n<h3>Outside, no heat</h3>\n{_items(page.outside)}"
    sounds = ", and the sounder sounds" if page.sounder else ""
    urgent = "\n".join(f"<h3>{escape(g.title)}</h3>\n{_group(g)}" for g in page.urgent)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>bottomheat: for the shed door</title>
<style>{_STYLE}</style>
</head>
<body>
<h1><span>bottomheat: for the shed door</span><span>{escape(page.printed)}</span></h1>
<p class="call"><span>Call:</span><span>or:</span></p>
<h2>In the boxes</h2>
{boxes}
<h2>A message says &quot;NOW&quot;{sounds}</h2>
{urgent}
<h2>Can wait for the morning</h2>
<div class="later">
{_group(page.later)}
</div>
<h2>Also</h2>
{_items(page.notes)}
<h2>Care</h2>
{_items(page.cautions)}
</body>
</html>
"""


def _box(box: BoxOnSheet) -> str:
    normal = f"\n<p>{escape(box.normal)} °C</p>" if box.normal else ""
    batches = f"\n{_items(box.batches)}" if box.batches else ""
    return f"<h3>{escape(box.name)}: {escape(box.setpoint)}</h3>{normal}{batches}"


def _group(group: Group) -> str:
    do = "<br>".join(escape(text) for text in group.do)
    rows = "\n".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(what)}</dd></div>" for name, what in group.alarms
    )
    return f'<p class="do">DO: {do}</p>\n<dl>\n{rows}\n</dl>'


def _items(texts: tuple[str, ...]) -> str:
    return "<ul>\n" + "\n".join(f"<li>{escape(text)}</li>" for text in texts) + "\n</ul>"
