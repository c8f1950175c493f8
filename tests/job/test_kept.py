from gridtools.job.kept import carry_over


def kept(layer):
    return dict(zip(layer.candidate_id, zip(layer.status, layer.note, strict=True), strict=True))


def test_carry_over__by_id_whatever_the_order(candidates_of):
    old = candidates_of(["C001", "C002"], status=["dug", "open"], note=["pipe", "wet"])
    new = candidates_of(["C003", "C002", "C001"], rank=[1, 2, 3])
    carried, gone = carry_over(old, new)
    assert kept(carried) == {"C003": ("open", ""), "C002": ("open", "wet"), "C001": ("dug", "pipe")}
    assert carried.rank.tolist() == [1, 2, 3]
    assert gone == []


def test_carry_over__only_rows_in_which_somebody_wrote_stay_as_gone(candidates_of):
    old = candidates_of(
        ["C001", "C002", "C003", "C004", "C005"],
        status=["open", "dropped", "open", "", "gone"],
        note=["", "", "see the farmer", "", ""],
    )
    carried, gone = carry_over(old, candidates_of([]))
    assert len(carried) == 0
    assert gone == [1, 2, 4]


def test_carry_over__what_was_gone_and_comes_back_is_open(candidates_of):
    old = candidates_of(["C001"], status=["gone"], note=["ask again"])
    carried, _ = carry_over(old, candidates_of(["C001"]))
    assert kept(carried) == {"C001": ("open", "ask again")}


def test_carry_over__a_persons_word_wins_over_the_new_row(candidates_of):
    old = candidates_of(["C001", "C002"], status=["dropped", "open"], note=["rock", ""])
    new = candidates_of(["C001", "C002"], status=["dug", "dug"], note=["x", "y"])
    carried, _ = carry_over(old, new)
    assert kept(carried) == {"C001": ("dropped", "rock"), "C002": ("dug", "y")}


def test_carry_over__given_as_gone_is_gone_unless_somebody_wrote(candidates_of):
    old = candidates_of(["C001", "C002", "C003"], status=["open", "gone", "dug"])
    new = candidates_of(["C001", "C002", "C003"], status=["gone", "gone", "gone"])
    carried, _ = carry_over(old, new)
    assert carried.status.tolist() == ["gone", "gone", "dug"]
