from tests.doubts.test_signs import DAMAGED, work_done


def make(folder):
    damaged, _ = DAMAGED["a letter under a heading of groups"]
    damaged(work_done(folder)).write_csv(folder / "ledger.csv")
