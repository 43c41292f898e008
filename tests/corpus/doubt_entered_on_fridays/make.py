from tests.doubts.test_rows_together import DAMAGED, by_clinicians
from tests.doubts.test_signs import work_done


def make(folder):
    damaged, _ = DAMAGED["one dentist enters on Fridays"]
    damaged(by_clinicians(work_done(folder))).drop("Row").write_csv(folder / "ledger.csv")
