# The standardised difference of a Cox model and its error, by another route than the program's: the hazards are
# computed again with the weight of one patient a little more and a little less (all patients at once, in matrices), the
# share failed again with every hazard and every coefficient a little more and less, and the quotients are chained to
# that patient's pull. Coefficients move by R's own dfbeta, and the teeth averaged over weigh by their patient. The error
# is the root of the sum of squared pulls. The steps leave some 1e-8 of a pull, far below the tolerance of the tests.
STEP <- 1e-4

# For rows with a common baseline: who is at risk and who fails, one line per row, one column per failure day.
risk_sets <- function(t0, t1, event, rows = seq_along(t1)) {
  days <- sort(unique(t1[rows][event[rows]]))
  list(rows = rows, days = days, risk = (outer(t0[rows], days, "<") & outer(t1[rows], days, ">=")) + 0,
       fail = outer(t1[rows], days, "==") * event[rows])
}

# Efron's hazard steps, for a vector (as it stands) or a matrix (one column per reweighting) of sums; `deaths` is the
# weight of those who fail, `ties` their number. `left` is the part from which the day's own failures are left out.
efron <- function(at_risk, tied, deaths, ties) {
  hazard <- left <- 0 * at_risk
  for (j in seq_len(max(c(ties, 0)))) {
    on <- ties >= j
    share <- (j - 1) / ties
    step <- on * (deaths / ties) / (at_risk - share * tied)
    hazard <- hazard + step
    left <- left + share * step
  }
  list(hazard = hazard, left = left)
}

# model: from cox(). target: rows of the model to average over. states: name -> named vector of columns to set.
standardised <- function(model, stratum, target, states, day, from, rules) {
  d <- model$d; x <- model$x
  t0 <- d$t0; t1 <- d$exit_days; event <- d$event
  patient <- match(d$patient_id, sort(unique(d$patient_id))); n_patients <- max(patient)
  n_strata <- max(stratum)
  in_window <- function(t) (if (from > 0) t > from else t >= 0) & t <= day
  all_rows <- risk_sets(t0, t1, event)
  exits <- sort(unique(t1))
  followed <- sapply(exits, function(t) sum(t0 < t & t1 >= t))
  observed_to <- max(c(-1, exits[followed >= rules$min_at_risk]))
  if (observed_to < day) return(NULL)
  # Days on which a clinician has too few at risk: there the hazard of all together stands in, scaled.
  of_stratum <- lapply(seq_len(n_strata), function(k) which(stratum == k))
  at_risk_by <- sapply(of_stratum, function(rows) colSums(all_rows$risk[rows, , drop = FALSE]))
  thin <- (n_strata > 1) & in_window(all_rows$days) & at_risk_by < rules$min_at_risk
  own <- lapply(of_stratum, function(rows) risk_sets(t0, t1, event, rows))
  lent <- lapply(of_stratum, function(rows) {
    list(rows = rows, risk = all_rows$risk[rows, , drop = FALSE], fail = all_rows$fail[rows, , drop = FALSE])
  })

  # Sums on each failure day under the risks `r`: as it stands (one column), or with the weight of every patient
  # changed by `e` in turn (one column each).
  sums <- function(sets, r, e) {
    moved <- function(m, v) {
      total <- drop(crossprod(m, v))
      if (e == 0) return(cbind(total))
      by <- matrix(0, n_patients, ncol(m))
      found <- rowsum(m * v, patient[sets$rows])
      by[as.integer(rownames(found)), ] <- found
      total + e * t(by)
    }
    list(risk = moved(sets$risk, r[sets$rows]), tied = moved(sets$fail, r[sets$rows]),
         deaths = moved(sets$fail, rep(1, length(sets$rows))), ties = colSums(sets$fail))
  }
  steps <- function(s) efron(s$risk, s$tied, s$deaths, s$ties)
  hazards <- function(r, e) {
    pooled <- if (any(thin)) steps(sums(all_rows, r, e))
    lapply(seq_len(n_strata), function(k) {
      h <- steps(sums(own[[k]], r, e))$hazard
      counts <- in_window(own[[k]]$days) & !thin[match(own[[k]]$days, all_rows$days), k]
      total <- colSums(h[counts, , drop = FALSE])
      if (any(thin[, k])) {
        ratio <- 1
        if (sum(event[stratum == k])) {
          mine <- sums(lent[[k]], r, e)
          ratio <- colSums(mine$deaths) / (colSums(pooled$hazard * mine$risk) - colSums(pooled$left * mine$tied))
        }
        total <- total + ratio * colSums(pooled$hazard[thin[, k], , drop = FALSE])
      }
      unname(total)
    })
  }

  set_to <- lapply(states, function(columns) {
    xs <- x[target, , drop = FALSE]
    for (name in names(columns)) xs[, name] <- columns[[name]]
    xs
  })
  failed_by <- function(h, b, state) 1 - exp(-unlist(h)[stratum[target]] * exp(drop(set_to[[state]] %*% b)))
  beta <- model$beta
  risk <- function(b) exp(drop(x %*% b))
  # Held against R's own baseline where no stratum borrows.
  as_it_stands <- hazards(risk(beta), 0)
  check_baseline(model, as_it_stands, thin, day, from)
  n <- length(target)
  share <- sapply(names(states), function(state) mean(failed_by(as_it_stands, beta, state)))
  each <- function(f) sapply(names(states), f)
  quotient <- function(f, at) (f(STEP * at) - f(-STEP * at)) / (2 * STEP * at)
  # By how much each hazard moves with each patient's weight, and the share with each hazard and each coefficient.
  moves <- Map(function(up, down) (up - down) / (2 * STEP), hazards(risk(beta), STEP), hazards(risk(beta), -STEP))
  by_hazard <- lapply(seq_len(n_strata), function(k) each(function(state) {
    if (as_it_stands[[k]] == 0) return(NA)
    quotient(function(e) mean(failed_by(replace(as_it_stands, k, as_it_stands[[k]] + e), beta, state)), as_it_stands[[k]])
  }))
  by_beta <- lapply(seq_along(beta), function(j) {
    at <- lapply(c(1, -1), function(sign) {
      b <- replace(beta, j, beta[j] + sign * STEP)
      h <- hazards(risk(b), 0)
      each(function(state) mean(failed_by(h, b, state)))
    })
    (at[[1]] - at[[2]]) / (2 * STEP)
  })
  move <- as.matrix(residuals(model$fit, type = "dfbeta", collapse = d$patient_id, weighted = TRUE))
  move <- move[sort(unique(d$patient_id)), , drop = FALSE]
  pull <- each(function(state) {
    through_hazard <- Reduce(`+`, Map(function(m, slope) m * slope[[state]], moves, by_hazard))
    through_beta <- drop(move %*% sapply(by_beta, `[[`, state))
    being_there <- (failed_by(as_it_stands, beta, state) - share[[state]]) / n
    through_hazard + through_beta + as.vector(tapply(being_there, factor(patient[target], seq_len(n_patients)), sum,
                                                     default = 0))
  })
  in_state <- sapply(states, function(columns) {
    mine <- rowSums(sapply(names(columns), function(name) x[, name] == columns[[name]]) + 0) == length(columns)
    sum(mine & t0 < day & t1 >= day)
  })
  list(share = share, pull = pull, in_state = in_state, thin = colSums(thin), model = model)
}

check_baseline <- function(model, found, thin, day, from) {
  base <- basehaz(model$fit, centered = FALSE)
  names_of <- if (is.null(base$strata)) rep("1", nrow(base)) else sub(".*=", "", as.character(base$strata))
  for (k in seq_along(found)) {
    if (any(thin[, k])) next
    b <- base[names_of == as.character(k), ]
    at <- function(t) c(0, b$hazard)[findInterval(t, b$time) + 1]
    stopifnot(isTRUE(all.equal(at(day) - (if (from > 0) at(from) else 0), unname(found[[k]]), tolerance = 1e-8)))
  }
}

# Limits from those of the two shares, each on the log of what it has lost on the log scale; the distances to them are
# put together along the angle whose cosine is the correlation of the two.
standard_difference <- function(s, group, reference, rules) {
  pair <- c(group, reference)
  along <- c(setNames(1, group), setNames(-1, reference))
  few <- allowance(s$model, along[names(along) %in% names(s$model$beta)], failed_in(s$model$d, pair), rules)
  difference_from(s, group, reference, few)
}

difference_from <- function(s, group, reference, few) {
  pair <- c(group, reference)
  pull <- few$larger * s$pull[, pair]
  failed <- s$share[pair]
  error <- sqrt(colSums(pull^2))
  ends <- sapply(pair, function(g) {
    log_hazard <- log(-log(1 - failed[[g]]))
    slope <- 1 / (-log(1 - failed[[g]]) * (1 - failed[[g]]))
    1 - exp(-exp(log_hazard + c(-1, 1) * few$t * slope * error[[g]]))
  })
  angle <- acos(sum(pull[, 1] * pull[, 2]) / prod(error))
  third_side <- function(one, other) Mod(one - other * complex(modulus = 1, argument = angle))
  gap <- failed[[group]] - failed[[reference]]
  low <- gap - third_side(failed[[group]] - ends[1, group], ends[2, reference] - failed[[reference]])
  high <- gap + third_side(ends[2, group] - failed[[group]], failed[[reference]] - ends[1, reference])
  list(estimate = 100 * gap, error = 100 * sqrt(sum((pull[, 1] - pull[, 2])^2)), low = 100 * low, high = 100 * high)
}
