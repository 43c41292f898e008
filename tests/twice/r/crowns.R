# The main comparison: crowns with the root canal before the seat, through the crown, and vital so far.

ROOT_CANAL <- c("before_seat", "through_crown")
STATES <- c("before_seat", "vital", "through_crown")
OF_CROWNS <- list(
  number("age_at_seat", "age at the seat", 10), words("sex", "sex"), words("tooth_group", "tooth group"),
  words("material", "material"), words("bruxism", "bruxism"), words("smoker", "smoking"),
  number("seat_year", "year of the seat", 5)
)

# Rule 6: single crowns, made here.
own_crowns <- function(crowns) crowns[crowns$crown_kind == "single" & !crowns$done_elsewhere, ]

crown_rows <- function(crowns, patients) {
  d <- crowns[!is.na(crowns$seat_date), ]
  d$entry_days <- days_between(d$entry_date, d$seat_date)
  d$exit_days <- days_between(d$exit_date, d$seat_date)
  d$access_days <- days_between(d$access_date, d$seat_date)
  d <- with_people(d, patients, d$seat_date)
  d$age_at_seat <- d$age
  d$seat_year <- d$year
  d
}

# A crown is vital until it is opened, and opened from then on; opened on its last day it stays what it was.
state_rows <- function(rows) {
  d <- rows[!is.na(rows$endo_timing), ]
  opened <- is_true(d$access_days < d$exit_days)
  until <- d[opened & is_true(d$entry_days < d$access_days), ]
  until$exit_days <- until$access_days; until$event <- rep(FALSE, nrow(until)); until$state <- rep("vital", nrow(until))
  after <- d[opened, ]
  after$entry_days <- pmax(after$entry_days, after$access_days)
  after$event <- after$failure; after$state <- rep("through_crown", nrow(after))
  closed <- d[!opened, ]
  closed$event <- closed$failure
  closed$state <- ifelse(closed$endo_timing == "before_seat", "before_seat", "vital")
  out <- rbind(until, after, closed)
  out[was_followed(out), ]
}

main_comparison <- function(crowns, patients, rules) {
  rows <- crown_rows(crowns, patients)
  d <- state_rows(rows)
  in_state <- function(s) d[d$state == s, ]
  groups <- lapply(STATES, function(s) {
    group_of(in_state(s), s, rows[is_true(rows$endo_timing == s), ], rules, late = s == "through_crown")
  })
  names(groups) <- STATES
  made <- columns_of(d, OF_CROWNS)
  stratum <- strata_of(d, rules)
  marks <- sapply(ROOT_CANAL, function(s) as.numeric(d$state == s))
  crude_model <- cox(d, marks)
  adjusted_model <- cox(d, cbind(marks, made$x), stratum)
  units <- length(unique(d$crown_id))
  pairs <- list(c("through_crown", "before_seat"), c("through_crown", "vital"), c("before_seat", "vital"))
  estimates <- c(
    lapply(pairs, function(p) estimate_of(crude_model, p[1], p[2], units, character(), character(), rules)),
    lapply(pairs, function(p) estimate_of(adjusted_model, p[1], p[2], units, made$used, "clinician", rules))
  )
  horizon <- days_of(rules$horizon_years)
  reaches <- all(sapply(ROOT_CANAL, function(s) groups[[s]]$stops_at_days >= horizon))
  from <- curve_start(in_state("through_crown"), rules)
  crude <- adjusted <- NULL
  if (reaches && from < horizon) {
    crude <- crude_difference(in_state("through_crown"), in_state("before_seat"), horizon, from, rules)
    s <- standardised(adjusted_model, stratum, which(d$state != "vital"),
                      list(before_seat = c(before_seat = 1, through_crown = 0),
                           through_crown = c(before_seat = 0, through_crown = 1)), horizon, from, rules)
    if (!is.null(s)) adjusted <- standard_difference(s, "through_crown", "before_seat", rules)
  }
  used <- if (is.null(adjusted)) crude else adjusted
  failures <- c(groups$through_crown$failures, groups$before_seat$failures)
  timed <- rows[!is.na(rows$endo_timing), ]
  left <- c(nrow(crowns), nrow(timed))
  code <- verdict_of(used, failures, rules)
  list(
    groups = unname(groups), estimates = estimates, naive = naive_of_crowns(rows, rules),
    difference = difference_of(used, "through_crown", "before_seat", from, rules),
    crude_difference = difference_of(crude, "through_crown", "before_seat", from, rules),
    verdict = list(code = one(code), smallest_difference_per_100 = one(rules$smallest_difference_per_100)),
    flow = data.frame(left = left, removed = c(0, -diff(left))), missing = made$missing,
    notes = sprintf("Not adjusted for %s.", made$left_out), horizon_years = one(rules$horizon_years),
    honesty = honesty_of(d, used, code, estimates[[4]], groups[c("through_crown", "before_seat")], from,
                         "through_crown", "before_seat", "crown_id", OF_CROWNS, rules)
  )
}

# By label from the seat: what misleads.
naive_of_crowns <- function(rows, rules) {
  d <- rows[is_true(rows$endo_timing %in% ROOT_CANAL), ]
  d$event <- d$failure
  naive_of(d, d$endo_timing, "through_crown", ROOT_CANAL, rules)
}

naive_of <- function(d, label, group, order, rules) {
  model <- cox(d, cbind(group = as.numeric(label == group)))
  co <- contrast(model, c(group = 1), rules, failed_in(d, order, label))
  horizon <- days_of(rules$horizon_years)
  kept <- lapply(order, function(name) {
    curve <- curve_of(d[label == name, ], 0, rules)
    if (curve_stop(curve, rules)$day >= horizon) list(one(name), one(survival_on(curve, horizon)))
  })
  list(hazard_ratio = one(co$hr), ci_low = one(co$low), ci_high = one(co$high), survival = Filter(Negate(is.null), kept))
}
