from tests.doubts.test_signs import DAMAGED, work_done


def make(folder):
    damaged, _ = DAMAGED["work on teeth alone"]
    damaged(work_done(folder)).write_csv(folder / "ledger.csv")
