# The plain analyst's script in R: data.table for the linking, survival for curves and hazard ratios, from the same CSV
# files. It knows this practice's headings and codes and nothing of the pipeline. One line of JSON a step: what it
# found, and the wall and CPU seconds it took.
#
# Rscript plain_r.R PRACTICE_FOLDER

suppressPackageStartupMessages({
  library(data.table)
  library(survival)
})

CUTOFF <- as.integer(as.Date("2024-12-31"))
CROWN <- c("D2710", "D2740", "D2750", "D2752", "D2790")
MATERIAL <- c(D2710 = "RES", D2750 = "PFM", D2752 = "PFM", D2790 = "FGC")
INITIAL <- c("D3310", "D3320", "D3330")
REPEAT <- c("D3346", "D3347", "D3348")
PULP <- "D3221"
EXTRACTION <- c("D7140", "D7210", "D7240")
IMPLANT <- c("D6010", "D6058")
STANDS_FOR_A_TOOTH <- c(IMPLANT, "D6240")
ENDS_A_CROWN <- c("D6750", "OFF01")
YEAR <- 365.25
# Universal notation in the order of its numbers; primary and supernumerary teeth get numbers of their own above 48.
TEETH <- c(
  setNames(c(18:11, 21:28, 38:31, 41:48), 1:32),
  setNames(100 + seq_len(52), c(LETTERS[1:20], 51:82))
)

as_day <- function(dates) {
  known <- unique(dates)
  as.integer(as.Date(known, format = "%m/%d/%Y"))[match(dates, known)]
}

read_practice <- function(folder) {
  columns <- c("Entry No", "Chart No", "Date", "Code", "Th", "Prov", "Status", "Amount")
  kinds <- list(character = columns[2:7], integer = "Entry No", numeric = "Amount")
  files <- list.files(file.path(folder, "exports"), pattern = "^ledger-.*csv$", full.names = TRUE)
  ledger <- rbindlist(lapply(files, fread, select = columns, colClasses = kinds, na.strings = ""))
  setnames(ledger, c("entry", "chart", "date", "code", "th", "provider", "status", "fee"))
  ledger <- unique(ledger, by = "entry")
  ledger[, day := as_day(date)]
  ledger[, tooth := fifelse(is.na(th), 0L, as.integer(TEETH[th]))]
  ledger <- ledger[
    !is.na(chart) & !is.na(code) & !is.na(tooth) & (!is.na(day) | (is.na(date) & status == "EO")) &
      !(tooth == 0L & grepl("^(D2|D3|D6|D7|OFF)", code))
  ]
  patients <- fread(file.path(folder, "patients.csv"), colClasses = "character", na.strings = "")
  details <- fread(file.path(folder, "crown_details.csv"), colClasses = "character", na.strings = "")
  findings <- fread(file.path(folder, "findings.csv"), colClasses = "character", na.strings = "")
  patients[, `:=`(patient = .I, born = as_day(Born), last_contact = as_day(`Last Seen`), died = as_day(Died))]
  number <- function(chart) match(chart, patients$`Chart No`)
  ledger[, `:=`(patient = number(chart), chart = NULL, date = NULL, th = NULL)]
  details <- details[, .(
    row = .I, patient = number(`Chart No`), tooth = as.integer(TEETH[Th]), prep = as_day(Prep), seat = as_day(Seat),
    made_of = `Made Of`
  )]
  details <- details[tooth %between% c(11, 48)][, key := patient * 64L + tooth]
  findings <- findings[, .(patient = number(`Chart No`), day = as_day(Exam))]
  list(ledger = ledger, patients = patients, details = details, findings = findings[day <= CUTOFF])
}

# A negative fee takes back the latest row of the same patient, code, tooth and amount up to its day.
without_reversed <- function(done) {
  undo <- done[fee < 0, .(undone_by = entry, patient, code, tooth, fee = -fee, day)][order(day, undone_by)]
  kept <- done[is.na(fee) | fee >= 0]
  same <- c("patient", "code", "tooth", "fee")
  while (nrow(undo) > 0) {
    open_rows <- unique(undo[, ..same])[kept, on = same, nomatch = NULL, .(entry, patient, code, tooth, fee, day)]
    setorder(open_rows, day, entry)
    undo$taken <- open_rows[undo, on = c(same, "day"), roll = Inf, mult = "last", x.entry]
    undo <- undo[!is.na(taken)]
    kept <- kept[!entry %in% undo$taken]
    undo <- undo[duplicated(taken)][, taken := NULL]
  }
  kept
}

without_impossible <- function(done) {
  gone <- done[code %in% c(EXTRACTION, "D7111"), .(gone = min(day)), by = .(patient, tooth)]
  late <- done[tooth > 0][gone, on = .(patient, tooth), nomatch = NULL]
  late <- late[day > gone & !code %in% STANDS_FOR_A_TOOTH, entry]
  done[!entry %in% late]
}

gap <- function(key, day) {
  apart <- day - shift(day)
  fifelse(key == shift(key), apart, 0L, na = 0L)
}

# The first of `days` (key, day) on or after `from`, for each of `key`.
first_from <- function(key, from, days) {
  if (nrow(days) == 0) return(rep(NA_integer_, length(key)))
  asked <- data.table(key, day = from)
  unique(days[, .(key, day)])[asked, on = .(key, day), roll = -Inf, x.day]
}

build_courses <- function(events) {
  rows <- events[code %in% c(INITIAL, REPEAT), .(again = any(code %in% REPEAT)), keyby = .(key, day)]
  rows[, run := cumsum(gap(key, day) > 180)]
  rows[, again := cummax(as.integer(again)), by = .(key, run)]
  treated <- rows[, .(first = day[1], completed = day[.N]), by = .(key, run, again)]
  openings <- unique(events[code %in% PULP, .(key, day)])
  openings[, first := first_from(key, day, treated[, .(key, day = first)])]
  openings[first - day > 180, first := NA]
  begun <- openings[!is.na(first), .(opened = min(day)), by = .(key, first)]
  treated[begun, on = .(key, first), opened := i.opened]
  openings[treated[, .(earliest = min(first)), by = key], on = "key", earliest := i.earliest]
  alone <- openings[is.na(first) & (is.na(earliest) | earliest > day)][order(key, day)]
  alone <- alone[, .(key, day, run = cumsum(gap(key, day) > 180))][, .(started = day[1]), by = .(key, run)]
  rbind(
    treated[, .(key, started = pmin(first, opened, na.rm = TRUE), completed)],
    alone[, .(key, started, completed = NA_integer_)]
  )
}

build_crowns <- function(events, details) {
  rows <- events[code %in% CROWN][order(key, day, code, provider)]
  rows[, run := cumsum(gap(key, day) > 60)]
  crowns <- rows[, .(
    patient = patient[1], tooth = tooth[1], posted_first = day[1], posted_last = day[.N], code = code[.N],
    provider = provider[.N]
  ), by = .(key, run)]
  crowns[, `:=`(crown = .I, material = unname(MATERIAL[code]))]
  near <- details[crowns, on = "key", nomatch = NULL, allow.cartesian = TRUE,
                  .(row, seat, made_of, about = fcoalesce(seat, prep), crown, posted_first, posted_last)]
  near[, apart := pmax(posted_first - about, about - posted_last, 0L)]
  near <- near[apart <= 60][order(apart, -seat, row, na.last = TRUE)]
  near <- unique(unique(near, by = "row"), by = "crown")
  crowns[, seat := posted_last]
  crowns[near, on = "crown", `:=`(seat = fcoalesce(i.seat, posted_last), material = fcoalesce(i.made_of, material))]
  crowns[, .(key, patient, tooth, posted_first, seat, material, provider)]
}

crowns_from_elsewhere <- function(existing, here, details, ends) {
  teeth <- existing[, .(patient = patient[1], tooth = tooth[1], dated = suppressWarnings(min(day))), by = key]
  teeth <- teeth[ends[, .(patient, first_seen)], on = "patient", nomatch = NULL]
  teeth[here[, .(first_here = min(posted_first)), by = key], on = "key", first_here := i.first_here]
  teeth[, sighted := pmax(dated, first_seen, na.rm = TRUE)]
  teeth <- teeth[is.na(first_here) | sighted <= first_here]
  noted <- details[!is.na(seat)][teeth, on = "key", nomatch = NULL, .(key, seat, made_of, sighted, first_here)]
  noted <- noted[seat <= sighted & (is.na(first_here) | seat < first_here)][order(seat)]
  noted <- unique(noted, by = "key", fromLast = TRUE)
  teeth[, seat := fifelse(dated < first_seen, dated, NA_integer_)]
  teeth[, material := NA_character_]
  teeth[noted, on = "key", `:=`(seat = i.seat, material = i.made_of)]
  teeth[, .(key, patient, tooth, posted_first = NA_integer_, seat, material, provider = NA_character_, sighted)]
}

link <- function(practice) {
  done <- practice$ledger[status == "C" & day <= CUTOFF]
  done <- without_impossible(without_reversed(done))
  seen <- rbind(done[, .(patient, day)], practice$findings)
  ends <- seen[, .(first_seen = min(day), last_seen = max(day)), by = patient]
  ends[practice$patients, on = "patient", `:=`(last_contact = i.last_contact, died = i.died)]
  ends[, end := pmin(pmax(last_seen, last_contact, na.rm = TRUE), died, CUTOFF, na.rm = TRUE)]
  events <- done[tooth %between% c(11, 48)][, key := patient * 64L + tooth]
  implanted <- events[code %in% IMPLANT, .(implanted = min(day)), by = key]
  events[implanted, on = "key", implanted := i.implanted]
  events <- events[!(code %in% CROWN & !is.na(implanted) & day >= implanted)]
  extracted <- events[code %in% EXTRACTION, .(extracted = min(day)), by = key]
  courses <- build_courses(events)
  crowns <- build_crowns(events, practice$details)
  existing <- practice$ledger[status == "EO" & code %in% CROWN & tooth %between% c(11, 48)]
  existing <- existing[is.na(day) | day <= CUTOFF][, key := patient * 64L + tooth]
  older <- crowns_from_elsewhere(existing, crowns, practice$details, ends)
  begin <- min(done$day)
  crowns <- rbind(crowns[, sighted := NA_integer_], older)
  crowns[, entry := fifelse(is.na(sighted), pmax(seat, begin), pmax(seat, sighted, na.rm = TRUE))]
  crowns[, since := fcoalesce(seat, sighted - 1L)]
  setorder(crowns, key, since, posted_first)
  seats <- crowns[!is.na(posted_first), .(key, day = seat)]
  courses[, new_seat := first_from(key, started, seats)]
  courses[, renewing := !is.na(new_seat) & new_seat <= fcoalesce(completed, started) + 120L]
  crowns <- end_crowns(crowns, courses, events, extracted, ends, seen)
  list(crowns = name_timing(crowns, courses), courses = courses)
}

end_crowns <- function(crowns, courses, events, extracted, ends, seen) {
  crowns[, `:=`(next_posted = shift(posted_first, -1L), next_seat = shift(seat, -1L)), by = key]
  crowns[extracted, on = "key", extracted := i.extracted]
  ending <- rbind(
    events[code %in% ENDS_A_CROWN, .(key, day)],
    courses[renewing == TRUE, .(key, day = started)]
  )
  crowns[, failed := pmin(
    fifelse(!is.na(next_posted) & next_posted > since, next_posted, next_seat),
    fifelse(extracted >= since, extracted, NA_integer_),
    first_from(key, since + 1L, ending),
    na.rm = TRUE
  )]
  stands <- events[code %in% STANDS_FOR_A_TOOTH, .(patient = patient[1], stands = min(day)), by = key]
  stands[extracted, on = "key", extracted := i.extracted]
  stands <- stands[is.na(extracted) | extracted > stands]
  last <- unique(seen)[stands, on = "patient", nomatch = NULL, allow.cartesian = TRUE, .(key, day, stands)]
  last <- last[day < stands, .(last_with_tooth = max(day)), by = key]
  stands[last, on = "key", last_with_tooth := i.last_with_tooth]
  crowns[stands, on = "key", `:=`(stands = i.stands, last_with_tooth = i.last_with_tooth)]
  crowns[ends, on = "patient", end := i.end]
  crowns[!is.na(stands) & stands > entry, end := pmin(end, fcoalesce(last_with_tooth, entry))]
  crowns[, end := pmax(end, entry, na.rm = TRUE)]
  crowns[, failure := !is.na(failed) & failed <= end]
  crowns[, exit := fifelse(failure, failed, end)]
  crowns
}

name_timing <- function(crowns, courses) {
  crowns[courses[, .(begun = min(started)), by = key], on = "key", begun := i.begun]
  crowns[, before := !is.na(begun) & begun <= since]
  crowns[, opened := first_from(key, since + 1L, courses[renewing == FALSE, .(key, day = started)])]
  crowns[, through := !before & !is.na(opened) & opened <= exit & !(failure & opened == exit)]
  crowns[, timing := fcase(before, "before_seat", through, "through_crown", default = "vital")]
  crowns[, access := fifelse(through, opened, NA_integer_)]
  crowns
}

# One row a crown and state: an opened crown is vital until that day.
cut_at_opening <- function(crowns, patients) {
  rows <- crowns[!is.na(seat), .(
    patient, tooth, seat, material, provider, failure, start = entry - seat, stop = exit - seat, access = access - seat,
    timing
  )]
  opened <- rows[!is.na(access) & access < stop]
  spells <- rbind(
    opened[start < access][, `:=`(stop = access, event = FALSE, state = "vital")],
    opened[, `:=`(start = pmax(start, access), event = failure, state = "through_crown")],
    rows[is.na(access) | access >= stop][, `:=`(
      event = failure, state = fifelse(timing == "before_seat", "before_seat", "vital")
    )],
    use.names = TRUE
  )
  spells <- spells[stop > start | start <= 0]
  spells[start <= 0, start := -1L] # there on day 0
  spells[patients, on = "patient", `:=`(born = i.born, sex = i.Sex, smokes = i.Smokes, grinds = i.Grinds)]
  level <- function(x) factor(fcoalesce(x, "unknown"))
  age <- (spells$seat - spells$born) / YEAR
  date <- as.POSIXlt(as.Date(spells$seat, origin = "1970-01-01"))
  place <- spells$tooth %% 10
  spells[, `:=`(
    age_unknown = is.na(age), age = fcoalesce(age, mean(age, na.rm = TRUE)), year = 1900 + date$year + date$yday / YEAR,
    sex = level(sex), smokes = level(smokes), grinds = level(grinds), material = level(material),
    provider = level(provider), group = fcase(place <= 3, "anterior", place <= 5, "premolar", default = "molar"),
    state = factor(state, c("before_seat", "through_crown", "vital"))
  )]
  spells
}

curves <- function(spells) {
  at <- round(5 * YEAR)
  sapply(c("before_seat", "through_crown", "vital"), function(s) {
    fit <- survfit(Surv(start, stop, event) ~ 1, data = spells[state == s], id = NULL)
    summary(fit, times = at)$surv
  })
}

ratio <- function(fit) {
  list(hazard_ratio = unname(exp(coef(fit)["statethrough_crown"])),
       log_error = sqrt(vcov(fit)["statethrough_crown", "statethrough_crown"]))
}

json <- function(x) {
  if (is.list(x) || !is.null(names(x))) {
    values <- vapply(as.list(x), json, "")
    return(sprintf("{%s}", paste(sprintf('"%s": %s', names(x), values), collapse = ", ")))
  }
  if (is.character(x)) sprintf('"%s"', x) else format(x, digits = 15, scientific = FALSE)
}

clock <- proc.time()
step <- function(name, found) {
  now <- proc.time()
  took <- now - clock
  clock <<- now
  seconds <- list(step = name, wall_s = took[["elapsed"]], cpu_s = took[["user.self"]] + took[["sys.self"]])
  cat(json(c(seconds, found)), "\n", sep = "")
}

practice <- read_practice(commandArgs(trailingOnly = TRUE)[1])
step("read", list(rows = nrow(practice$ledger)))
linked <- link(practice)
known <- linked$crowns[!is.na(seat)]
by_timing <- known[, .(n = .N, failed = sum(failure), days = sum(as.numeric(exit - entry))), keyby = timing]
named <- function(values) as.list(setNames(values, by_timing$timing))
step("link", list(
  crowns = named(by_timing$n), failures = named(by_timing$failed), tooth_days = named(by_timing$days),
  completed_courses = sum(!is.na(linked$courses$completed))
))
spells <- cut_at_opening(linked$crowns, practice$patients)
step("curves", list(survival = as.list(curves(spells))))
crude <- coxph(Surv(start, stop, event) ~ state, data = spells, cluster = patient)
step("crude model", list(crude = ratio(crude)))
adjusted <- coxph(
  Surv(start, stop, event) ~ state + age + age_unknown + sex + group + material + grinds + smokes + year +
    strata(provider),
  data = spells, cluster = patient
)
step("adjusted model", list(adjusted = ratio(adjusted)))
