# The decision on a hyperemic tooth as an emulated trial: root canal before the seat, or seat it vital and wait.
# Who is eligible is settled by the day of the preparation, the arm by what was done up to the seat, outcomes from the
# seat on (DEVELOPERS.md, "The hyperemic tooth").

PULPAL <- c("normal", "reversible_pulpitis", "symptomatic_irreversible_pulpitis", "asymptomatic_irreversible_pulpitis",
            "irreversible_pulpitis", "necrosis", "previously_treated", "previously_initiated")
APICAL <- c("normal", "symptomatic_apical_periodontitis", "asymptomatic_apical_periodontitis", "apical_periodontitis",
            "acute_apical_abscess", "chronic_apical_abscess", "condensing_osteitis")
IRREVERSIBLE <- PULPAL[3:5]
ARMS <- c("endo_first", "seat_vital")
MIN_TEETH <- 5

# ---- the decision and the arm ---------------------------------------------------------------------------------------

# Rows of another table on each crown's tooth: the place of the crown, beside the columns of the row.
on_tooth <- function(d, other) {
  pairs <- merge(data.frame(key = tooth_key(d), crown = seq_len(nrow(d))), cbind(key = tooth_key(other), other))
  pairs[order(pairs$crown), ]
}
any_for <- function(pairs, condition, n) seq_len(n) %in% pairs$crown[condition]

latest <- function(pairs, field, declared, n) {
  known <- pairs[!is.na(pairs[[field]]), ]
  place <- match(known[[field]], declared, nomatch = 0)
  known <- known[order(known$service_date, place, decreasing = TRUE), ]
  word <- known[[field]][match(seq_len(n), known$crown)]
  ifelse(is.na(word), NA, ifelse(word %in% declared, word, "other"))
}

decide <- function(crowns, courses, patients, details, pulp, rules) {
  seated <- crown_rows(own_crowns(crowns), patients)
  lag <- days_between(seated$seat_date, seated$prep_date)
  sound <- is_true(lag >= 0 & lag <= 365)
  known <- sort(lag[sound])
  usual <- if (length(known) >= 20) known[(length(known) - 1) %/% 2 + 1] else rules$lab_days
  seated$decision_recorded <- sound
  seated$decision_date <- seated$seat_date - usual
  seated$decision_date[sound] <- seated$prep_date[sound]
  d <- seated[seated$entry_days <= 0, ]
  n <- nrow(d)
  told <- on_tooth(d, details[!details$supernumerary, ])
  told$ago <- days_between(d$decision_date[told$crown], told$service_date)
  by_then <- told$ago >= 0
  word <- or_na(told$pulpal_diagnosis, "")
  reversible <- any_for(told, by_then & told$ago <= 30 & word == "reversible_pulpitis", n)
  irreversible <- any_for(told, by_then & word %in% IRREVERSIBLE, n)
  necrosis <- any_for(told, by_then & word == "necrosis", n)
  treated <- any_for(told, by_then & word %in% PULPAL[7:8], n)
  recent <- told[by_then & told$ago <= 180, ]
  d$pulpal_diagnosis <- latest(recent, "pulpal_diagnosis", PULPAL, n)
  d$apical_diagnosis <- latest(recent, "apical_diagnosis", APICAL, n)
  later <- told[told$ago < 0 & told$service_date <= d$seat_date[told$crown], ]
  d$pulpal_later <- latest(later, "pulpal_diagnosis", PULPAL, n)
  d$apical_later <- latest(later, "apical_diagnosis", APICAL, n)
  d$flared <- any_for(later, later$pulpal_diagnosis %in% c(IRREVERSIBLE, "necrosis"), n)
  status <- or_na(d$pulp_status_at_prep, "")
  state <- ifelse(status == "necrotic" | necrosis, "necrotic", ifelse(irreversible, "irreversible",
           ifelse(status == "hyperemic" | reversible, "hyperemic", status)))
  d$by_diagnosis <- status != pulp
  # Begun before the preparation: a course, a repeat of one, or a root canal without a course of ours.
  begun <- on_tooth(d, courses)
  begun <- begun[begun$started <= d$seat_date[begun$crown], ]
  begun <- begun[order(begun$crown, begun$started, begun$course_id, method = "radix"), ]
  first <- begun$started[match(seq_len(n), begun$crown)]
  again <- any_for(begun, begun$kind == "retreatment" & begun$started == first[begun$crown], n)
  before <- is_true(first < d$decision_date) | again | (is_true(d$endo_timing == "before_seat") & is.na(first)) |
    status == "root_filled" | treated
  wanted <- state %in% (if (pulp == "hyperemic") c("hyperemic", "irreversible", "necrotic") else pulp)
  steps <- list(wanted, state != "necrotic", state != "irreversible", !is.na(d$endo_timing), !before)
  kept <- Reduce(`&`, steps, accumulate = TRUE)
  d$place <- seq_len(n)
  list(rows = d[kept[[5]], ], begun = begun, usual = usual, of = length(known), recorded = sum(d$decision_recorded),
       worked_out = sum(!d$decision_recorded), left = c(nrow(crowns), nrow(own_crowns(crowns)), nrow(seated), n, n, sapply(kept, sum)))
}

enter_trial <- function(crowns, courses, teeth, patients, details, pulp, rules) {
  found <- decide(crowns, courses, patients, details, pulp, rules)
  d <- found$rows
  done <- found$begun
  done <- done[is_true(done$completed <= d$seat_date[match(done$crown, d$place)]), ]
  done <- done[order(done$completed, done$started, done$course_id, method = "radix"), ]
  taken <- match(d$place, done$crown)
  d$course_started <- done$started[taken]
  d$course_elsewhere <- is_true(done$done_elsewhere[taken])
  d$arm <- ifelse(!(d$place %in% found$begun$crown), "seat_vital", ifelse(is.na(taken), NA, "endo_first"))
  clear <- d[!is.na(d$arm), ]
  clear <- clear[order(clear$seat_date, clear$crown_id, method = "radix"), ]
  once <- clear[!duplicated(tooth_key(clear)), ]
  list(rows = outcomes_of(once, courses, teeth, days_of(rules$horizon_years)), neither = d[is.na(d$arm), ],
       left = c(found$left, nrow(clear), nrow(once)), found = found)
}

outcomes_of <- function(d, courses, teeth, horizon) {
  ends <- teeth[match(tooth_key(d), tooth_key(teeth)), ]
  starts_new <- paste(tooth_key(d), d$exit_date) %in% paste(tooth_key(courses), courses$started)
  extracted_with <- is_true(d$failure_cause == "extracted")
  opened <- !is.na(d$access_days)
  d$given_up <- d$failure & !extracted_with & starts_new & !opened & d$exit_days > 0 & d$arm == "seat_vital"
  d$need_cause <- ifelse(opened | d$given_up, 1, ifelse(d$failure & extracted_with, 3, ifelse(d$failure, 2, 0)))
  d$need_days <- or_na(d$access_days, d$exit_days)
  last <- ends$extracted
  last[is.na(last)] <- ends$followed_to[is.na(last)]
  last[is.na(last)] <- d$exit_date[is.na(last)]
  d$crown_days <- d$exit_days
  d$tooth_days <- pmax(days_between(last, d$seat_date), 0)
  d$crown_failed <- d$failure & d$crown_days <= horizon
  d$tooth_lost <- !is.na(ends$extracted) & d$tooth_days <= horizon
  d$given_up <- d$given_up & d$need_days <= horizon
  d$need_cause <- ifelse(d$need_days <= horizon, d$need_cause, 0)
  for (name in c("need_days", "crown_days", "tooth_days")) d[[name]] <- pmin(d[[name]], horizon)
  d
}

# ---- weights --------------------------------------------------------------------------------------------------------

# Levels that either arm has too few of are one level, or go with the commonest.
pool_rare <- function(v, treated) {
  if (all(is.na(v))) return(v)
  v <- as_word(v)
  first <- tapply(treated, v, sum); wait <- tapply(!treated, v, sum)
  few <- names(first)[pmin(first, wait) < MIN_TEETH]
  rest <- setdiff(names(first), few)
  if (!length(few)) return(v)
  if (!length(rest) || min(sum(first[few]), sum(wait[few])) >= MIN_TEETH) target <- "rare"
  else target <- rest[order(-(first + wait)[rest], -first[rest])][1]
  ifelse(v %in% few, target, v)
}

weights_of <- function(d, rules) {
  treated <- d$arm == "endo_first"
  diagnoses <- list(words("pulpal_diagnosis", "pulpal diagnosis"), words("apical_diagnosis", "apical diagnosis"))
  clinician <- list(words("provider_id", "clinician"))
  smaller <- min(sum(treated), sum(!treated))
  for (covariates in list(c(OF_CROWNS, diagnoses, clinician), c(OF_CROWNS, diagnoses), OF_CROWNS)) {
    pooled <- d
    for (cov in covariates) if (is.null(cov$unit)) pooled[[cov$name]] <- pool_rare(d[[cov$name]], treated)
    made <- columns_of(pooled, covariates, event = treated)
    if ((qr(cbind(1, made$x))$rank - 1) * MIN_TEETH > smaller) next
    fit <- glm(treated ~ made$x, family = binomial, control = glm.control(epsilon = 1e-14, maxit = 100))
    if (!fit$converged || any(fitted(fit) < 1e-7 | fitted(fit) > 1 - 1e-7)) next
    share <- mean(treated)
    raw <- ifelse(treated, share / fitted(fit), (1 - share) / (1 - fitted(fit)))
    bounds <- quantile(raw, c(0.01, 0.99), names = FALSE)
    w <- unname(pmin(pmax(raw, bounds[1]), bounds[2]))
    kish <- function(v) sum(v)^2 / sum(v^2)
    balance <- balance_of_arms(made$x, pooled, covariates, treated, w)
    notes <- list(c(round(bounds, 2), sum(w != raw), sum(treated), round(kish(w[treated])), sum(!treated),
                    round(kish(w[!treated]))))
    notes <- c(notes, lapply(made$left_out, function(v) one(sprintf("Not adjusted for %s.", v))))
    for (cov in covariates) if (is.null(cov$unit) && !all(is.na(d[[cov$name]]))) {
      v <- as_word(d[[cov$name]])
      few <- names(which(pmin(tapply(treated, v, sum), tapply(!treated, v, sum)) < MIN_TEETH))
      if (length(few)) notes <- c(notes, list(c(sum(v %in% few), MIN_TEETH)))
    }
    for (cov in covariates) {
      gaps <- sum(is.na(d[[cov$name]]))
      if (gaps > 0 && gaps < nrow(d)) notes <- c(notes, list(c(gaps, nrow(d))))
    }
    off <- names(balance)[sapply(balance, function(b) b[[2]] > 0.1)]
    if (length(off)) notes <- c(notes, list(list(off = off)))
    return(list(w = w, balance = balance, notes = notes, used = made$used))
  }
  stop("no weights: choose another practice")
}

balance_of_arms <- function(x, pooled, covariates, treated, w) {
  shown <- as.data.frame(x, check.names = FALSE)
  for (cov in covariates) if (is.null(cov$unit)) {
    own <- grepl(paste0("^", cov$name, "_"), colnames(x))
    if (sum(own) > 1) {
      rest <- 1 - rowSums(x[, own])
      if (any(rest > 0)) {
        left <- sort(table(as_word(pooled[[cov$name]])[rest > 0]), decreasing = TRUE)
        shown[[paste0(cov$name, "_", names(left)[1])]] <- rest
      }
    }
  }
  both <- lapply(shown, function(v) c(standardised_mean(v, treated), standardised_mean(v, treated, w)))
  both[!sapply(both, anyNA)]
}

# ---- curves and differences -----------------------------------------------------------------------------------------

TRIAL_COLUMNS <- list(endo_needed = c("need_days", "need_cause"), crown_failure = c("crown_days", "crown_failed"),
                      tooth_loss = c("tooth_days", "tooth_lost"))

as_rows <- function(d, outcome) {
  columns <- TRIAL_COLUMNS[[outcome]]
  d$exit_days <- d[[columns[1]]]
  d$cause <- as.numeric(d[[columns[2]]])
  d$event <- d$cause > 0
  d$entry_days <- 0
  d
}

# Share that has had it by each day, with limits; need of a root canal has competitors.
incidence <- function(d, outcome, at, w, rules) {
  rows <- as_rows(d, outcome)
  z <- qnorm((1 + rules$confidence) / 2)
  if (outcome != "endo_needed") {
    curve <- curve_of(rows, 0, rules, w)
    place <- step_at(curve, at)
    return(list(share = 1 - survival_on(curve, at), low = 1 - c(NA, curve$high)[place + 1],
                high = 1 - c(NA, curve$low)[place + 1]))
  }
  rows$w <- if (is.null(w)) 1 else w
  rows$row <- seq_len(nrow(rows))
  rows$state <- factor(rows$cause, 0:3)
  f <- survfit(Surv(rep(-1, nrow(rows)), exit_days, state) ~ 1, rows, id = row, weights = w, influence = TRUE)
  pull <- f$influence.pstate
  pull <- pull[, dim(pull)[2] - length(f$time) + seq_along(f$time), 2]
  # R's own error, by row, says how its pulls are weighted.
  if (!isTRUE(all.equal(sqrt(colSums(pull^2)), f$std.err[, 2], tolerance = 1e-8))) pull <- pull * rows$w
  stopifnot(isTRUE(all.equal(sqrt(colSums(pull^2)), f$std.err[, 2], tolerance = 1e-8)))
  error <- sqrt(colSums(rowsum(pull, rows$patient_id)^2))
  place <- findInterval(at, f$time) + 1
  share <- c(0, f$pstate[, 2])[place]
  se <- c(NA, error)[place]
  step <- z * se / (share * -log(share))
  list(share = share, low = exp(-exp(log(-log(share)) + step)), high = exp(-exp(log(-log(share)) - step)))
}

stop_of <- function(d, outcome, rules) curve_stop(curve_of(as_rows(d, outcome), 0, rules), rules)$day
happened <- function(d, outcome) sum(as_rows(d, outcome)$cause == 1)

curve_of_trial <- function(d, outcome, arm, w, rules) {
  stop <- stop_of(d, outcome, rules)
  years <- unique(c(seq(0, rules$horizon_years, 0.25), rules$horizon_years))
  at <- days_of(years)
  years <- years[at <= stop]; at <- at[at <= stop]
  found <- incidence(d, outcome, at, w, rules)
  at_risk <- sapply(at, function(t) sum(as_rows(d, outcome)$exit_days >= t))
  none_yet <- 1 - ((1 - rules$confidence) / 2)^(1 / pmax(at_risk, 1))
  high <- ifelse(is.na(found$high), ifelse(found$share == 0 & at > 0, none_yet, found$share), found$high)
  list(arm = one(arm), outcome = one(outcome), teeth = one(nrow(d)), patients = one(length(unique(d$patient_id))),
       events = one(happened(d, outcome)), adjusted = one(!is.null(w)),
       points = data.frame(years, at_risk, estimate = found$share, ci_low = or_na(found$low, found$share),
                           ci_high = high))
}

trial_difference <- function(sides, outcome, w, rules) {
  horizon <- days_of(rules$horizon_years)
  counted <- if (outcome == "endo_needed") sides["seat_vital"] else sides
  events <- sapply(counted, happened, outcome)
  if (min(events) < rules$min_failures) return(list(why = unname(c(events, rules$min_failures))))
  if (any(sapply(counted, stop_of, outcome, rules) < horizon)) return(list(why = rules$horizon_years))
  if (outcome == "endo_needed") {
    s <- incidence(sides$seat_vital, outcome, horizon, w$seat_vital, rules)
    return(list(estimate = 100 * (1 - s$share), low = 100 * (1 - s$high), high = 100 * (1 - s$low)))
  }
  crude_difference(as_rows(sides$endo_first, outcome), as_rows(sides$seat_vital, outcome), horizon, 0, rules,
                   list(w$endo_first, w$seat_vital))
}

# ---- the whole ------------------------------------------------------------------------------------------------------

hyperemic_tooth <- function(crowns, courses, teeth, patients, details, rules) {
  entered <- enter_trial(crowns, courses, teeth, patients, details, "hyperemic", rules)
  normal <- enter_trial(crowns, courses, teeth, patients, details, "normal", rules)
  d <- entered$rows
  weighted <- weights_of(d, rules)
  sides <- split(d, factor(d$arm, ARMS))
  w <- split(weighted$w, factor(d$arm, ARMS))
  none <- list(endo_first = NULL, seat_vital = NULL)
  curves <- list(curve_of_trial(sides$seat_vital, "endo_needed", "seat_vital", NULL, rules))
  for (outcome in c("crown_failure", "tooth_loss")) for (kind in list(none, w)) for (arm in ARMS)
    curves <- c(curves, list(curve_of_trial(sides[[arm]], outcome, arm, kind[[arm]], rules)))
  differences <- outcomes <- list()
  for (outcome in c("crown_failure", "tooth_loss", "endo_needed")) {
    for (kind in list(w, none)) {
      e <- trial_difference(sides, outcome, kind, rules)
      name <- paste0(outcome, if (is.null(kind$seat_vital)) "_crude" else "")
      if (is.null(e$why))
        differences <- c(differences, list(list(one(name), difference_of(e, ARMS[1], ARMS[2], 0, rules))))
      if (!is.null(kind$seat_vital)) outcomes[[outcome]] <- e
    }
  }
  crown <- outcomes$crown_failure
  failures <- sapply(sides, happened, "crown_failure")
  recorded <- entered$found
  first <- sides$endo_first; wait <- sides$seat_vital
  counts <- c(sum(d$by_diagnosis), sum(!d$decision_recorded), sum(first$course_started == first$decision_date),
              sum(first$flared), sum(first$course_elsewhere), sum(is_true(d$order_uncertain)),
              sum(is_true(wait$access_elsewhere) & wait$need_cause == 1), sum(wait$given_up))
  notes <- lapply(seq_along(counts), function(i) if (counts[i]) c(counts[i], if (i == 1) 30))
  unseen <- sum(d$tooth_days == 0 & !d$tooth_lost)
  left <- entered$left
  list(
    curves = curves, differences = differences,
    outcomes = lapply(names(outcomes), function(name) {
      e <- outcomes[[name]]
      list(outcome = one(name), adjusted = one(TRUE), why_none = if (is.null(e$why)) numeric() else e$why,
           difference = if (is.null(e$why)) difference_of(e, ARMS[1], ARMS[2], 0, rules))
    }),
    everyday_curves = list(curve_of_trial(wait, "endo_needed", "hyperemic", NULL, rules),
                           curve_of_trial(normal$rows[normal$rows$arm == "seat_vital", ], "endo_needed", "normal", NULL,
                                          rules)),
    balance = weighted$balance, verdict = list(code = one(verdict_of(crown, failures, rules)),
                                               smallest_difference_per_100 = one(rules$smallest_difference_per_100)),
    flow = data.frame(left = left, removed = c(0, -diff(left))),
    notes = c(weighted$notes, Filter(Negate(is.null), notes)),
    days_of_preparation = c(recorded$recorded, recorded$worked_out, recorded$usual, recorded$of),
    diagnoses = diagnoses_of(sides),
    protocol = list(
      Eligibility = c(30, left[6] - left[7], left[7] - left[8], nrow(d), length(unique(d$patient_id)), left[1]),
      Strategies = c(nrow(first), nrow(wait), nrow(entered$neither)),
      "Time zero" = c(sum(d$decision_recorded), sum(!d$decision_recorded), recorded$usual, recorded$of,
                      sum(first$flared), sum(wait$flared), sum(entered$neither$flared)),
      "Follow-up" = c(rules$horizon_years, unseen), Contrast = c(0, 100 * rules$confidence),
      Analysis = c(1, 99)
    )
  )
}

diagnoses_of <- function(sides) {
  out <- list()
  for (field in list(c("pulpal_diagnosis", "by_prep", "pulpal_diagnosis"), c("apical_diagnosis", "by_prep", "apical_diagnosis"),
                     c("pulpal_diagnosis", "by_seat", "pulpal_later"), c("apical_diagnosis", "by_seat", "apical_later"))) {
    for (word in c(if (field[1] == "pulpal_diagnosis") PULPAL else APICAL, "other", "")) {
      n <- sapply(sides, function(s) sum(or_na(s[[field[3]]], "") == word))
      if (any(n > 0)) out <- c(out, list(list(field = one(field[1]), when = one(field[2]), value = one(word),
                                              teeth = lapply(ARMS, function(arm) list(one(arm), one(unname(n[arm])))))))
    }
  }
  out
}
