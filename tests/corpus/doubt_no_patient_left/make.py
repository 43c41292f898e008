from tests.doubts.test_signs import DAMAGED, work_done


def make(folder):
    damaged, _ = DAMAGED["patients of the last year alone"]
    damaged(work_done(folder)).write_csv(folder / "ledger.csv")
