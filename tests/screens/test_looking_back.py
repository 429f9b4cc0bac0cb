"""The list of lots looks back: which lots hold a supplier's batch, and who did what."""

from __future__ import annotations

from visiting import by_key, fill, open_app, refusal, shown

from colourmatch.book.lot_book import LotBook


def test_a_recall_names_the_lots_that_hold_the_batch_and_the_log_who_did_what(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0, bottle={"supplier_batch": "K-1207"})
    lots = [book.lots.begin(name, 900, ["red"], number=f"26-04{name}").id for name in "ABC"]
    for lot_id in lots[:2]:
        book.additions.add(lot_id, "red", ml=2, entered_by="CD")
    app = fill(open_app("lots"), {"recall-batch": "k-1207"}).run()
    held = [str(link.proto.label).replace("\\", "") for link in app.get("page_link")]
    assert [any(f"lot 26-04{name} " in one for one in held) for name in "ABC"] == [True, True, False]
    assert refusal(fill(app, {"recall-batch": "K-9"}).run())
    assert by_key(app.button, f"lot-{lots[0]}")  # the list stays usable
    app.session_state["log"] = True
    app.run()
    (line,) = [line for line in shown(app).split("<p") if "26-04A" in line and "CD" in line]
    assert "2 ml of red" in line
