from tests.doubts.test_signs import DAMAGED, work_done


def make(folder):
    damaged, _ = DAMAGED["new numbers of patients"]
    damaged(work_done(folder)).write_csv(folder / "ledger.csv")
