"""The weeks as one page: for each tank its heat-loss signature, what drifts, and a table of the weeks."""

from collections.abc import Iterator

from tankwatch.review.page_shell import foot, head
from tankwatch.review.page_tank import facts, safe
from tankwatch.review.scatter import scatter
from tankwatch.review.weeks import RoomWeeks, TankWeeks
from tankwatch.review.weeks_words import HEADS, cells, drift_lines, signature_lines

_WIDE, _NARROW = 760, 350

_METHOD = (
    "A day counts where at least 20 of its hours are known. Over a day the heater makes up for what the "
    "tank loses, so its duty falls on a straight line as the room grows warmer: least squares through the "
    "days, those at no duty or at full duty left out. The slope times the heater's power is the heat "
    "loss. The heater's power is fitted to the heating cycles of each week's last days; the loss of a "
    "week is the heat given over the difference between water and room, as though pump and lamp gave "
    "none. Drift is the first third of the weeks against the last; it is told where it is over 10 % and "
    "over three times its uncertainty, and the line then rests on the newest third alone."
)


def weeks_page(review: RoomWeeks) -> Iterator[str]:
    """Yield the page, piece by piece."""
    yield head(review.room, review.span, review.timezone)
    bad = review.needs_attention
    word = "Needs attention" if bad else "Nothing needs attention"
    yield f'<div class="state{" bad" if bad else ""}"><p class="flag">{word}</p>'
    told = [f"{tank.tank.label}: {', '.join(tank.reasons)}" for tank in review.tanks if tank.reasons]
    if told:
        yield "<ul>" + "".join(f"<li>{safe(text)}</li>" for text in told) + "</ul>"
    yield "</div>"
    for number, tank in enumerate(review.tanks, 1):
        yield from _section(tank, number)
    yield foot(_METHOD, review.made_s, review.timezone)


def _section(review: TankWeeks, number: int) -> Iterator[str]:
    yield f'\n<section><div class="lead"><h2 id="tank-{number}">{safe(review.tank.label)}</h2>'
    if review.reasons:
        told = safe(", ".join(review.reasons))
        yield f'<p class="bad"><span class="flag">Needs attention: {told}</span></p>'
    wide = scatter(review, width=_WIDE, key=f"w{number}")
    if wide:
        narrow = scatter(review, width=_NARROW, key=f"n{number}")
        yield f'<figure><div class="wide">{wide}</div><div class="narrow">{narrow}</div>'
        yield (
            "<figcaption>Duty of each day over the room's mean temperature; open squares are the newest "
            "seven days, the line is the heat-loss signature.</figcaption></figure>"
        )
    yield "</div>" + facts(signature_lines(review) + drift_lines(review))
    yield (
        f'<div class="scroll" tabindex="0" role="region" aria-label="Weeks of {safe(review.tank.label)}, '
        f'tank {number} of this page"><table>'
        "<caption>Means of the days; a dash where too little is known</caption>"
        "<thead><tr>"
    )
    yield "".join(f'<th scope="col"{_right(i)}>{safe(name)}</th>' for i, name in enumerate(HEADS))
    yield "</tr></thead><tbody>"
    for week in review.weeks:
        first, *rest = cells(week)
        numbers = "".join(f'<td class="n">{text}</td>' for text in rest)
        yield f'<tr><th scope="row">{first}</th>{numbers}</tr>'
    yield "</tbody></table></div></section>"


def _right(column: int) -> str:
    return ' class="n"' if column else ""
