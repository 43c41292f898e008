# The decision on a hyperemic tooth as an emulated trial: root canal before the seat, or seat it vital and wait.
# Who is eligible is settled by the day of the preparation, and all is counted from it: clone, censor, weight
# (DEVELOPERS.md, "The hyperemic tooth").

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
  worse <- later[later$pulpal_diagnosis %in% c(IRREVERSIBLE, "necrosis"), ]
  worse <- worse[order(worse$service_date), ]
  d$flare_date <- worse$service_date[match(seq_len(n), worse$crown)]
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
  begun <- found$begun[match(d$place, found$begun$crown), ]
  d$course_started <- begun$started
  d$course_completed <- begun$completed
  d$course_elsewhere <- is_true(begun$done_elsewhere)
  d <- d[order(d$seat_date, d$crown_id, method = "radix"), ]
  d <- d[!duplicated(tooth_key(d)), ]
  list(rows = outcomes_of(with_strategy(d, teeth), courses, days_of(rules$horizon_years)), left = c(found$left, nrow(d)),
       found = found)
}

with_strategy <- function(d, teeth) {
  ends <- teeth[match(tooth_key(d), tooth_key(teeth)), ]
  d$extracted <- ends$extracted; d$followed_to <- ends$followed_to
  d$lost_early <- is_true(d$extracted < d$seat_date & d$extracted >= d$decision_date)
  treated <- !is.na(d$course_started)
  last <- d$course_completed
  last[is.na(last)] <- d$course_started[is.na(last)]
  d$flared <- ifelse(treated, is_true(d$flare_date <= last), !is.na(d$flare_date))
  between <- is_true(d$course_started > d$decision_date)
  d$for_need <- d$flared & between
  d$untold <- between & is.na(d$pulpal_later)
  told <- between & !is.na(d$pulpal_later)
  as_told <- if (sum(told & !d$flared) >= 10) mean(d$flared[told]) else 0
  d$doubt <- ifelse(d$for_need, 1, ifelse(d$untold, as_told, ifelse(!treated & d$lost_early, 1, 0)))
  d$arm <- ifelse(d$doubt > 0, "either", ifelse(treated, "endo_first", "seat_vital"))
  shown <- d$seat_date
  early <- pmin(d$extracted, d$flare_date, na.rm = TRUE)
  shown[d$lost_early] <- early[d$lost_early]
  shown[treated] <- d$course_started[treated]
  shown[d$for_need] <- pmin(d$flare_date, d$course_started)[d$for_need]
  d$grace_days <- days_between(d$seat_date, d$decision_date)
  d$shown_days <- days_between(shown, d$decision_date)
  d
}

outcomes_of <- function(d, courses, horizon) {
  starts_new <- paste(tooth_key(d), d$exit_date) %in% paste(tooth_key(courses), courses$started)
  extracted_with <- is_true(d$failure_cause == "extracted")
  opened <- !is.na(d$access_days)
  d$given_up <- d$failure & !extracted_with & starts_new & !opened & d$arm == "seat_vital"
  treated <- !is.na(d$course_started)
  lost_on <- days_between(d$extracted, d$decision_date)
  d$vital_cause <- ifelse(opened | d$given_up, 1, ifelse(d$failure & extracted_with, 3, ifelse(d$failure, 2, 0)))
  d$vital_days <- or_na(d$access_days, d$exit_days)
  d$need_cause <- ifelse(treated, 1, ifelse(d$lost_early, 3, d$vital_cause))
  d$need_days <- ifelse(treated, days_between(d$course_started, d$decision_date),
                        ifelse(d$lost_early, lost_on, d$vital_days + d$grace_days))
  last <- d$extracted
  last[is.na(last)] <- d$followed_to[is.na(last)]
  last[is.na(last)] <- d$exit_date[is.na(last)]
  d$crown_days <- ifelse(d$lost_early, lost_on, d$exit_days + d$grace_days)
  d$tooth_days <- pmax(days_between(last, d$decision_date), 0)
  d$crown_failed <- (d$failure | d$lost_early) & d$crown_days <= horizon
  d$tooth_lost <- !is.na(d$extracted) & d$tooth_days <= horizon
  d$given_up <- d$given_up & d$need_days <= horizon
  d$need_cause <- ifelse(d$need_days <= horizon, d$need_cause, 0)
  d$vital_cause <- ifelse(d$vital_days <= horizon, d$vital_cause, 0)
  for (name in c("need_days", "vital_days", "crown_days", "tooth_days")) d[[name]] <- pmin(d[[name]], horizon)
  d
}

# ---- clones ---------------------------------------------------------------------------------------------------------

# The share of each tooth that waits, given `fit`, which makes chances to be treated first of such shares.
staying <- function(g, fit) {
  sure <- g$doubt == 0
  waiting <- ifelse(g$wait, 1, 0)
  waiting[!sure] <- (if (any(sure)) mean(waiting[sure]) else 0.5) * g$doubt[!sure]
  # By the end of each day, how many that go one way have not shown it.
  not_yet <- function(came, share, at) {
    each <- data.frame(day = rep(g$days, 2), event = rep(1:0, each = length(share)), w = c(came, share - came))
    each <- each[each$w > 0, ]
    if (!any(each$event == 1)) return(rep(1, length(at)))
    f <- survfit(Surv(day + 1, event) ~ 1, each, weights = w)
    kept <- c(1, f$surv)[findInterval(at + 1, f$time) + 1]
    ifelse(kept < 1e-9, 0, kept)
  }
  for (round in 1:500) {
    chance <- fit(waiting)
    if (all(sure)) break
    open <- !sure
    missed <- sum(g$in_need & g$wait); met <- sum(waiting[g$in_need & open])
    in_time <- if (missed + met > 0) met / (missed + met) else 1
    wait <- (1 - chance[open]) * not_yet(ifelse(g$wait, 1, 0), waiting, g$days[open]) * ifelse(g$in_need[open], in_time, 1)
    treat <- chance[open] * not_yet(ifelse(g$treat, pmin(1 - g$doubt, 1 - waiting), 0), 1 - waiting, g$days[open])
    again <- waiting
    again[open] <- g$doubt[open] * ifelse(wait + treat > 0, wait / (wait + treat), 1 - chance[open])
    done <- max(abs(again - waiting)) < 1e-12
    waiting <- again
    if (done) break
  }
  list(chance = chance, waiting = waiting)
}

grace_of <- function(d) {
  treat <- !is.na(d$course_started) & !d$for_need
  wait <- d$arm == "seat_vital"
  data.frame(days = d$shown_days, treat = treat, wait = wait, in_need = d$for_need | (d$flared & wait), doubt = d$doubt)
}

# Clones that stay with their way: those to be treated first, then those to wait.
clones_of <- function(d) {
  g <- grace_of(d)
  waiting <- staying(g, function(w) rep(1 - mean(w), length(w)))$waiting
  both <- rbind(cbind(d, tooth = seq_len(nrow(d)), first = TRUE, share = 1 - waiting),
                cbind(d, tooth = seq_len(nrow(d)), first = FALSE, share = waiting))
  both$either <- both$arm == "either"
  both$arm <- ifelse(both$first, "endo_first", "seat_vital")
  list(kept = both[both$share > 0, ], grace = g, teeth = nrow(d))
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

weights_of <- function(cloned, rules) {
  d <- cloned$kept
  treated <- d$first
  diagnoses <- list(words("pulpal_diagnosis", "pulpal diagnosis"), words("apical_diagnosis", "apical diagnosis"))
  clinician <- list(words("provider_id", "clinician"))
  smaller <- min(sum(treated & !d$either), sum(!treated & !d$either))
  for (covariates in list(c(OF_CROWNS, diagnoses, clinician), c(OF_CROWNS, diagnoses), OF_CROWNS)) {
    pooled <- d
    for (cov in covariates) if (is.null(cov$unit)) pooled[[cov$name]] <- pool_rare(d[[cov$name]], treated)
    made <- columns_of(pooled, covariates, event = treated)
    if ((qr(cbind(1, made$x))$rank - 1) * MIN_TEETH > smaller) next
    whole <- TRUE
    part <- function(waiting) pmax(ifelse(treated, 1 - waiting[d$tooth], waiting[d$tooth]), 1e-12)
    found <- staying(cloned$grace, function(waiting) {
      d$part <- part(waiting)
      fit <- suppressWarnings(glm(treated ~ made$x, family = binomial, weights = part, data = d,
                                  control = glm.control(epsilon = 1e-14, maxit = 100)))
      if (!fit$converged || any(fitted(fit) < 1e-7 | fitted(fit) > 1 - 1e-7)) whole <<- FALSE
      chance <- rep(0.5, cloned$teeth)
      chance[d$tooth] <- fitted(fit)
      chance
    })
    if (!whole) next
    chance <- found$chance[d$tooth]
    share <- mean(treated)
    raw <- ifelse(treated, share / chance, (1 - share) / (1 - chance))
    bounds <- quantile(raw, c(0.01, 0.99), names = FALSE)
    clipped <- unname(pmin(pmax(raw, bounds[1]), bounds[2]))
    w <- clipped * part(found$waiting)
    kish <- function(v) sum(v)^2 / sum(v^2)
    balance <- balance_of_arms(made$x, pooled, covariates, treated, w)
    notes <- list(c(round(bounds, 2), sum(clipped != raw), sum(treated), round(kish(w[treated])), sum(!treated),
                    round(kish(w[!treated]))))
    notes <- c(notes, lapply(made$left_out, function(v) one(sprintf("Not adjusted for %s.", v))))
    for (cov in covariates) if (is.null(cov$unit) && !all(is.na(d[[cov$name]]))) {
      v <- as_word(d[[cov$name]])
      few <- names(which(pmin(tapply(treated, v, sum), tapply(!treated, v, sum)) < MIN_TEETH))
      if (length(few)) notes <- c(notes, list(c(sum(v %in% few), MIN_TEETH)))
    }
    for (cov in covariates) {
      told <- d[[cov$name]][!duplicated(d$tooth)]
      gaps <- sum(is.na(told))
      if (gaps > 0 && gaps < length(told)) notes <- c(notes, list(c(gaps, length(told))))
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

TRIAL_COLUMNS <- list(endo_needed = c("need_days", "need_cause"), vital_need = c("vital_days", "vital_cause"), crown_failure = c("crown_days", "crown_failed"),
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
  if (!outcome %in% c("endo_needed", "vital_need")) {
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

curve_of_trial <- function(d, outcome, arm, w, rules, adjusted) {
  stop <- stop_of(d, outcome, rules)
  years <- unique(c(seq(0, rules$horizon_years, 0.25), rules$horizon_years))
  at <- days_of(years)
  years <- years[at <= stop]; at <- at[at <= stop]
  found <- incidence(d, outcome, at, w, rules)
  at_risk <- sapply(at, function(t) sum(as_rows(d, outcome)$exit_days >= t))
  none_yet <- 1 - ((1 - rules$confidence) / 2)^(1 / pmax(at_risk, 1))
  high <- ifelse(is.na(found$high), ifelse(found$share == 0 & at > 0, none_yet, found$share), found$high)
  list(arm = one(arm), outcome = one(sub("vital_need", "endo_needed", outcome)), teeth = one(nrow(d)), patients = one(length(unique(d$patient_id))),
       events = one(happened(d, outcome)), adjusted = one(adjusted),
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
  cloned <- clones_of(d)
  weighted <- weights_of(cloned, rules)
  ways <- factor(cloned$kept$arm, ARMS)
  sides <- split(cloned$kept, ways)
  w <- split(weighted$w, ways)
  none <- split(cloned$kept$share, ways)
  curves <- list(curve_of_trial(sides$seat_vital, "endo_needed", "seat_vital", none$seat_vital, rules, FALSE))
  for (outcome in c("crown_failure", "tooth_loss")) for (kind in list(none, w)) for (arm in ARMS)
    curves <- c(curves, list(curve_of_trial(sides[[arm]], outcome, arm, kind[[arm]], rules, identical(kind, w))))
  differences <- outcomes <- list()
  for (outcome in c("crown_failure", "tooth_loss", "endo_needed")) {
    for (kind in list(w, none)) {
      e <- trial_difference(sides, outcome, kind, rules)
      name <- paste0(outcome, if (!identical(kind, w)) "_crude" else "")
      if (is.null(e$why))
        differences <- c(differences, list(list(one(name), difference_of(e, ARMS[1], ARMS[2], 0, rules))))
      if (identical(kind, w)) outcomes[[outcome]] <- e
    }
  }
  crown <- outcomes$crown_failure
  failures <- sapply(sides, happened, "crown_failure")
  recorded <- entered$found
  first <- d[d$arm == "endo_first", ]; wait <- d[d$arm == "seat_vital", ]; either <- d[d$arm == "either", ]
  vital <- normal$rows[normal$rows$arm == "seat_vital", ]
  wait$curve <- rep("hyperemic", nrow(wait)); vital$curve <- rep("normal", nrow(vital))
  treated <- !is.na(either$course_started)
  untold <- sum(d$untold); as_told <- if (untold) mean(d$doubt[d$untold]) else 0
  late <- is.na(first$course_completed) | first$course_completed > first$seat_date
  counts <- c(sum(d$by_diagnosis), sum(!d$decision_recorded), sum(is_true(first$course_started == first$decision_date)),
              sum(either$for_need), untold, sum(wait$flared), sum(!treated), sum(late), sum(first$course_elsewhere),
              sum(is_true(d$order_uncertain)), sum(is_true(wait$access_elsewhere) & wait$need_cause == 1),
              sum(wait$given_up))
  followed <- function(way) sum(sides[[way]]$either == FALSE)
  departed <- c(nrow(d), nrow(d)) - sapply(sides, nrow)
  notes <- lapply(seq_along(counts), function(i) if (counts[i]) c(counts[i], if (i == 1) 30, if (i == 5 && as_told > 0) c(round(100 * as_told), 100)))
  unseen <- sum(d$tooth_days <= d$grace_days & !d$tooth_lost)
  left <- entered$left
  list(
    curves = curves, differences = differences,
    outcomes = lapply(names(outcomes), function(name) {
      e <- outcomes[[name]]
      list(outcome = one(name), adjusted = one(TRUE), why_none = if (is.null(e$why)) numeric() else e$why,
           difference = if (is.null(e$why)) difference_of(e, ARMS[1], ARMS[2], 0, rules))
    }),
    everyday_curves = Filter(Negate(is.null), lapply(list(hyperemic = wait, normal = vital), function(rows) {
      if (nrow(rows)) curve_of_trial(rows, "vital_need", rows$curve[1], NULL, rules, FALSE)
    })) |> unname(),
    arms = lapply(ARMS, function(way) list(arm = one(way), followed = one(followed(way)),
                                           either = one(sum(sides[[way]]$either)), departed = one(unname(departed[way])),
                                           largest_weight = one(max(w[[way]])))),
    balance = weighted$balance, verdict = list(code = one(verdict_of(crown, failures, rules)),
                                               smallest_difference_per_100 = one(rules$smallest_difference_per_100)),
    flow = data.frame(left = left, removed = c(0, -diff(left))),
    notes = c(weighted$notes, Filter(Negate(is.null), notes)),
    days_of_preparation = c(recorded$recorded, recorded$worked_out, recorded$usual, recorded$of),
    diagnoses = diagnoses_of(sides),
    protocol = list(
      Eligibility = c(30, left[6] - left[7], left[7] - left[8], nrow(d), length(unique(d$patient_id)), left[1]),
      Strategies = c(followed("endo_first"), followed("seat_vital"), nrow(either)),
      "Time zero" = c(sum(d$decision_recorded), sum(!d$decision_recorded), recorded$usual, recorded$of, unname(departed),
                      sum(either$for_need), sum(wait$flared), sum(!treated)),
      "Follow-up" = c(rules$horizon_years, unseen), Contrast = c(0, 100 * rules$confidence),
      Analysis = c(1, 99, unname(sapply(w, function(v) round(max(v), 2))))
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
