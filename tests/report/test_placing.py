"""Labels: they stay on the sheet, off each other and off what is drawn."""

from partitioner.report.placing import Sheet, Wish, around, ring


def _rect(centre: tuple[float, float], wish: Wish) -> tuple[float, float, float, float]:
    x, y = centre
    return (
        x - wish.width / 2,
        y - wish.height / 2,
        x + wish.width / 2,
        y + wish.height / 2,
    )


def _overlap(a, b) -> float:
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    return max(w, 0.0) * max(h, 0.0)


def _wishes(spots: list[tuple[float, float]], width: float = 60.0) -> list[Wish]:
    return [Wish(s, width, 12, around(s, width, 12, 6)) for s in spots]


def test_labels_of_a_crowd_do_not_cover_each_other() -> None:
    spots = [(200.0 + 14 * (i % 5), 200.0 + 14 * (i // 5)) for i in range(20)]
    wishes = _wishes(spots)
    sheet = Sheet((0, 0, 500, 500))
    for x, y in spots:
        sheet.add_rect((x - 5, y - 5, x + 5, y + 5))
    rects = [_rect(p, w) for p, w in zip(sheet.place(wishes), wishes, strict=True)]
    covered = sum(_overlap(a, b) for i, a in enumerate(rects) for b in rects[:i])
    assert covered == 0.0
    assert all(_overlap(r, (x - 5, y - 5, x + 5, y + 5)) == 0 for r in rects for x, y in spots)


def test_labels_stay_on_the_sheet() -> None:
    wishes = _wishes([(3.0, 3.0), (97.0, 97.0)], width=40.0)
    for place, wish in zip(Sheet((0, 0, 100, 100)).place(wishes), wishes, strict=True):
        left, top, right, bottom = _rect(place, wish)
        assert left >= 0
        assert top >= 0
        assert right <= 100
        assert bottom <= 100


def test_a_label_moves_off_a_line() -> None:
    (wish,) = _wishes([(100.0, 100.0)])
    sheet = Sheet((0, 0, 300, 300))
    sheet.add_strokes([(100.0, 100.0, 300.0, 100.0)], owner=1)
    ((x, y),) = sheet.place([wish])
    _, top, right, bottom = _rect((x, y), wish)
    assert not (top < 100 < bottom and right > 100)


def test_a_mark_stays_on_its_own_line_but_leaves_a_foreign_one() -> None:
    spot = (100.0, 100.0)
    wish = Wish(spot, 10, 10, ring(spot, (12.0, 20.0)), own=0)
    own = Sheet((0, 0, 300, 300))
    own.add_strokes([(0.0, 100.0, 300.0, 100.0)], owner=0)
    assert own.place([wish], own_cost=0.1) == [spot]
    foreign = Sheet((0, 0, 300, 300))
    foreign.add_strokes([(0.0, 100.0, 300.0, 100.0)], owner=7)
    ((_, y),) = foreign.place([wish], own_cost=0.1)
    assert abs(y - 100.0) >= 5.0


def test_placing_is_deterministic() -> None:
    spots = [(50.0 + 9 * i, 60.0 + 5 * (i % 3)) for i in range(12)]
    once = Sheet((0, 0, 300, 300)).place(_wishes(spots))
    assert once == Sheet((0, 0, 300, 300)).place(_wishes(spots))


def test_crossed_strokes_are_counted_but_not_ones_own() -> None:
    sheet = Sheet((0, 0, 100, 100))
    sheet.add_strokes([(0, 10, 100, 10), (0, 20, 100, 20)], owner=1)
    sheet.add_strokes([(0, 30, 100, 30)], owner=2)
    assert sheet.strokes_crossed((50, 0), (50, 50), owner=2) == 2
    assert sheet.strokes_crossed((50, 0), (50, 50), owner=1) == 1
    assert sheet.strokes_crossed((50, 0), (50, 5), owner=9) == 0


def test_penalties_decide_between_equal_places() -> None:
    spots = ((20.0, 50.0), (80.0, 50.0))
    for penalties, expected in (((9.0, 0.0), spots[1]), ((0.0, 9.0), spots[0])):
        wish = Wish((50.0, 50.0), 10, 10, spots, penalties=penalties)
        assert Sheet((0, 0, 100, 100)).place([wish]) == [expected]
