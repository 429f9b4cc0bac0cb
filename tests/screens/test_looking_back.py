"""The list of lots looks back: which lots hold a supplier's batch, and who did what."""

from __future__ import annotations

from test_pages import by_key, open_app, shown

from colourmatch.book.lot_book import LotBook


def test_a_recall_names_the_lots_that_hold_the_batch(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0, bottle={"supplier_batch": "K-1207"})
    lots = [
        book.lots.begin(name, 900, ["red"], number=f"26-04{n}").id for n, name in enumerate(("A", "B", "C"))
    ]
    for lot_id in lots[:2]:
        book.additions.add(lot_id, "red", ml=2)
    app = open_app("lots")
    by_key(app.text_input, "recall-batch").set_value("k-1207").run()
    held = [str(link.proto.label).replace("\\", "") for link in app.get("page_link")]
    assert [any(f"lot 26-04{n} " in one for one in held) for n in range(3)] == [True, True, False]
    by_key(app.text_input, "recall-batch").set_value("K-9").run()
    assert app.error  # and the list stays usable
    assert by_key(app.button, f"lot-{lots[0]}")


def test_the_log_tells_who_did_what(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0, entered_by="AB")
    lot_id = book.lots.begin("A", 900, ["red"], number="26-041", entered_by="AB").id
    book.additions.add(lot_id, "red", ml=2, entered_by="CD")
    app = open_app("lots")
    app.session_state["log"] = True
    app.run()
    lines = [line for line in shown(app).split("<p") if "26-041" in line and "CD" in line]
    assert len(lines) == 1 and "2 ml of red" in lines[0]
