# Root-filled teeth once they have a crown, against those without one so far, from completion on.

OF_TEETH <- list(
  number("age_at_completion", "age at completion", 10), words("sex", "sex"), words("tooth_group", "tooth group"),
  words("kind", "first treatment or repeat"), words("bruxism", "bruxism"), words("smoker", "smoking"),
  words("diabetes", "diabetes"), number("completion_year", "year of completion", 5)
)

# Rule 3: courses of the practice itself.
own_courses <- function(courses) courses[!courses$done_elsewhere, ]
tooth_key <- function(d) paste(d$patient_id, d$tooth_fdi)

# One row per tooth: its first completed course, if no crown stood on it when that began; its first crown since.
endo_teeth <- function(courses, teeth, crowns, patients, outcome) {
  done <- courses[!is.na(courses$completed), ]
  done <- done[order(done$completed, done$course_id, method = "radix"), ]
  first <- done[!duplicated(tooth_key(done)), ]
  bare <- first[first$crown_at_start == "none", ]
  if (outcome == "tooth_survival") {
    ends <- teeth[match(tooth_key(bare), tooth_key(teeth)), ]
    bare$exit_date <- pmax(ends$followed_to, bare$completed)
    bare$failure <- !is.na(ends$extracted)
    bare$exit_reason <- ends$end_reason
  }
  bare$exit_days <- days_between(bare$exit_date, bare$completed)
  day <- crowns$seat_date
  day[is.na(day)] <- crowns$entry_date[is.na(day)]
  mine <- data.frame(key = tooth_key(crowns), day, seen = is.na(crowns$seat_date))
  mine <- merge(mine, data.frame(key = tooth_key(bare), started = bare$started), by = "key")
  mine <- mine[mine$day >= mine$started, ]
  mine <- mine[order(mine$key, mine$day, mine$seen), ]
  crown <- mine[match(tooth_key(bare), mine$key), ]
  bare$crown_days <- pmax(days_between(crown$day, bare$completed), 0)
  bare$crown_day_seen <- crown$seen
  d <- with_people(bare, patients, bare$completed)
  d$age_at_completion <- d$age
  d$completion_year <- d$year
  d$crowned <- is_true(d$crown_days == 0 | d$crown_days < d$exit_days)
  list(rows = d, left = c(nrow(courses), nrow(done), nrow(first), nrow(bare)))
}

teeth_states <- function(d) {
  before <- d[d$crowned & is_true(d$crown_days > 0), ]
  before$entry_days <- 0; before$exit_days <- before$crown_days; before$event <- FALSE; before$state <- "not_crowned"
  after <- d[d$crowned, ]
  after$entry_days <- after$crown_days; after$event <- after$failure; after$state <- "crowned"
  never <- d[!d$crowned, ]
  never$entry_days <- 0; never$event <- never$failure; never$state <- "not_crowned"
  out <- rbind(before, after, never)
  out[was_followed(out), ]
}

after_root_canal <- function(courses, teeth, crowns, patients, outcome, rules) {
  found <- endo_teeth(courses, teeth, crowns, patients, outcome)
  rows <- found$rows
  d <- teeth_states(rows)
  in_state <- function(s) d[d$state == s, ]
  groups <- list(crowned = group_of(in_state("crowned"), "crowned", rows[rows$crowned, ], rules, late = TRUE),
                 not_crowned = group_of(in_state("not_crowned"), "not_crowned", rows[!rows$crowned, ], rules))
  made <- columns_of(d, OF_TEETH)
  stratum <- strata_of(d, rules)
  mark <- cbind(crowned = as.numeric(d$state == "crowned"))
  adjusted_model <- cox(d, cbind(mark, made$x), stratum)
  units <- length(unique(d$course_id))
  estimates <- list(
    estimate_of(cox(d, mark), "crowned", "not_crowned", units, character(), character(), rules),
    estimate_of(adjusted_model, "crowned", "not_crowned", units, made$used, "clinician", rules)
  )
  horizon <- days_of(rules$horizon_years)
  from <- curve_start(in_state("crowned"), rules)
  stopifnot(from < horizon, groups$crowned$stops_at_days >= horizon, groups$not_crowned$stops_at_days >= horizon)
  crude <- crude_difference(in_state("crowned"), in_state("not_crowned"), horizon, from, rules)
  s <- standardised(adjusted_model, stratum, which(d$entry_days == 0),
                    list(crowned = c(crowned = 1), not_crowned = c(crowned = 0)), horizon, from, rules)
  adjusted <- standard_difference(s, "crowned", "not_crowned", rules)
  naive <- rows
  naive$event <- naive$failure
  naive$entry_days <- 0
  crowned_days <- rows$crown_days[rows$crowned]
  quartiles <- quantile(crowned_days, c(0.5, 0.25, 0.75), names = FALSE)
  left <- found$left
  unseen <- left[4] - length(unique(d$course_id[d$exit_days > d$entry_days]))
  seen <- sum(rows$crowned & is_true(rows$crown_day_seen))
  at_once <- sum(is_true(rows$crown_days == 0))
  code <- verdict_of(adjusted, c(groups$crowned$failures, groups$not_crowned$failures), rules)
  list(
    groups = unname(groups), estimates = estimates,
    naive = naive_of(naive, ifelse(rows$crowned, "crowned", "not_crowned"), "crowned", c("crowned", "not_crowned"),
                     rules),
    difference = difference_of(adjusted, "crowned", "not_crowned", from, rules),
    crude_difference = difference_of(crude, "crowned", "not_crowned", from, rules),
    verdict = list(code = one(code), smallest_difference_per_100 = one(rules$smallest_difference_per_100)),
    flow = data.frame(left = left, removed = c(0, -diff(left))), missing = made$missing,
    notes = c(list(left[3] - left[4]), if (unseen) list(unseen),
              list(c(length(crowned_days), round(quartiles))), if (seen) list(seen),
              if (at_once) list(at_once), lapply(made$left_out, function(w) one(sprintf("Not adjusted for %s.", w)))),
    horizon_years = one(rules$horizon_years),
    honesty = honesty_of(d, adjusted, code, estimates[[2]], groups, from, "crowned", "not_crowned", "course_id",
                         OF_TEETH, rules)
  )
}
