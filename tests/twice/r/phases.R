# The difference through phases of an opening, as the program gives it where a ratio was not found steady. Its error is
# by another route: all is fitted again with the weight of each patient a little more and a little less.
TURNS <- c(122, 365)

# Rows of opened crowns cut so many days after their opening; `phase` is 0 for all others.
in_phases <- function(d, cuts) {
  d$t0 <- from_before_day_0(d$entry_days)
  mine <- d$state == "through_crown"
  low <- c(-Inf, cuts); high <- c(cuts, Inf)
  parts <- lapply(seq_along(low), function(k) {
    p <- d[mine, ]; p$row <- which(mine)
    left <- pmin(p$exit_days, p$access_days + high[k])
    p$event <- p$event & left == p$exit_days
    p$t0 <- pmax(p$t0, p$access_days + low[k]); p$exit_days <- left
    p$phase <- rep(k, nrow(p))
    p[p$t0 < p$exit_days, ]
  })
  others <- d[!mine, ]; others$row <- which(!mine); others$phase <- rep(0, nrow(others))
  do.call(rbind, c(parts, list(others)))
}

# x: the columns of the adjusted model but for the opening, a line per row of d; stratum likewise.
through_phases <- function(d, x, stratum, adjusted_model, from, to, rules) {
  cut <- in_phases(d, TURNS)
  n_phases <- length(TURNS) + 1
  marks <- sapply(seq_len(n_phases), function(k) as.numeric(cut$phase == k))
  colnames(marks) <- paste0("p", seq_len(n_phases))
  z <- cbind(marks, x[cut$row, , drop = FALSE])
  real <- nrow(z)
  stratum <- stratum[cut$row]
  # That phases which adjoin are alike, worth one failure: two strata, in each of which another of the two fails.
  put_in <- do.call(rbind, lapply(seq_len(n_phases - 1), function(k) do.call(rbind, lapply(k + 0:1, function(fails) {
    data.frame(phase = k + 0:1, event = k + 0:1 == fails, t0 = -1, t1 = ifelse(k + 0:1 == fails, 5, 9),
               who = paste("put in", k, fails))
  }))))
  zero <- matrix(0, nrow(put_in), ncol(z), dimnames = list(NULL, colnames(z)))
  for (i in seq_len(nrow(put_in))) zero[i, put_in$phase[i]] <- 1
  t0 <- c(cut$t0, put_in$t0); t1 <- c(cut$exit_days, put_in$t1); event <- c(cut$event, put_in$event)
  who <- c(cut$patient_id, put_in$who)
  all_strata <- c(as.character(stratum), put_in$who)
  worth <- c(rep(1, real), rep(0.5, nrow(put_in)))
  zz <- rbind(z, zero)

  n_strata <- max(stratum)
  every <- risk_sets(cut$t0, cut$exit_days, cut$event)
  of_stratum <- lapply(seq_len(n_strata), function(k) which(stratum == k))
  own <- lapply(of_stratum, function(rows) risk_sets(cut$t0, cut$exit_days, cut$event, rows))
  counts <- sapply(of_stratum, function(rows) colSums(every$risk[rows, , drop = FALSE]))
  thin <- every$days > from & every$days <= to & counts < rules$min_at_risk
  target <- which(d$state != "vital")
  target_x <- x[target, , drop = FALSE]
  target_stratum <- stratum[match(target, cut$row)]
  target_who <- d$patient_id[target]
  days <- unique(round(seq(0, to - from, length.out = 25)))[-1]

  steps <- function(rows, sets_risk, sets_fail, r, w) {
    efron(drop(crossprod(sets_risk, (w * r)[rows])), drop(crossprod(sets_fail, (w * r)[rows])),
          drop(crossprod(sets_fail, w[rows])), colSums(sets_fail))
  }
  shares <- function(moved, by, init = NULL) {
    w <- worth * ifelse(who == moved, 1 + by, 1)
    fit <- coxph(Surv(t0, t1, event) ~ zz + strata(all_strata), weights = w, control = TIGHT,
                 init = if (is.null(init)) rep(0, ncol(zz)) else init,
                 robust = FALSE)
    b <- unname(coef(fit))
    r <- exp(drop(z %*% b)); w <- w[seq_len(real)]
    pooled <- steps(seq_len(real), every$risk, every$fail, r, w)
    # Each stratum's hazard by each day of all, borrowed where it is thin.
    by_day <- sapply(seq_len(n_strata), function(k) {
      rows <- of_stratum[[k]]
      h <- rep(0, length(every$days))
      h[match(own[[k]]$days, every$days)] <- steps(rows, own[[k]]$risk, own[[k]]$fail, r, w)$hazard
      if (any(thin[, k])) {
        fail <- every$fail[rows, , drop = FALSE]; risk <- every$risk[rows, , drop = FALSE]
        seen <- sum(drop(crossprod(fail, w[rows])))
        expected <- sum(pooled$hazard * drop(crossprod(risk, (w * r)[rows]))) -
          sum(pooled$left * drop(crossprod(fail, (w * r)[rows])))
        h[thin[, k]] <- (if (seen) seen / expected else 1) * pooled$hazard[thin[, k]]
      }
      h
    })
    upto <- function(day) colSums(by_day[every$days <= day, , drop = FALSE])
    target_w <- ifelse(target_who == moved, 1 + by, 1)
    rest <- exp(drop(target_x[, colnames(x) != "before_seat"] %*% b[n_phases + which(colnames(x) != "before_seat")]))
    ratios <- list(through_crown = exp(b[seq_len(n_phases)]),
                   before_seat = rep(exp(b[n_phases + which(colnames(x) == "before_seat")]), n_phases))
    failed <- sapply(ratios, function(ratio) sapply(days, function(day) {
      edges <- from + pmin(c(0, TURNS, day), day)
      h <- Reduce(`+`, lapply(seq_len(n_phases), function(k) ratio[k] * (upto(edges[k + 1]) - upto(edges[k]))))
      weighted.mean(1 - exp(-rest * h[target_stratum]), target_w)
    }))
    list(last = failed[length(days), ], in_place = tail(days, 1) - trapezoid(days) %*% failed, beta = b)
  }
  trapezoid <- function(days) { s <- diff(c(0, days, tail(days, 1))); (head(s, -1) + s[-1]) / 2 }

  at <- shares("", 0)
  e <- 1e-4
  pulls <- lapply(unique(who), function(p) {
    up <- shares(p, e, at$beta); down <- shares(p, -e, at$beta)
    list(last = (up$last - down$last) / (2 * e), in_place = drop(up$in_place - down$in_place) / (2 * e))
  })
  pull <- t(sapply(pulls, `[[`, "last")); pull_of_days <- t(sapply(pulls, `[[`, "in_place"))
  pair <- c("through_crown", "before_seat")
  gap <- pull[, pair[1]] - pull[, pair[2]]
  few <- allowance(adjusted_model, c(through_crown = 1, before_seat = -1), failed_in(d, pair), rules)
  few$df <- min(few$df, max(sum(gap^2)^2 / sum(gap^4) - 1, 1))
  few$t <- qt((1 + rules$confidence) / 2, few$df)
  s <- list(share = at$last, pull = pull)
  kept <- 1 - at$last[pair]
  slope <- -1 / (kept * log(kept))
  log_ratio <- diff(rev(log(-log(kept))))
  half <- few$t * few$larger * sqrt(sum((slope[1] * pull[, pair[1]] - slope[2] * pull[, pair[2]])^2))
  years <- diff(rev(at$in_place[, pair])) / YEAR
  years_half <- few$t * few$larger * sqrt(sum((pull_of_days[, pair[1]] - pull_of_days[, pair[2]])^2)) / YEAR
  list(difference = difference_from(s, "through_crown", "before_seat", few),
       overall = unname(exp(log_ratio + c(0, -1, 1) * half)),
       mean_years = unname(c(years, years - years_half, years + years_half)))
}

# Whether the first year after the opening has the ratio of the years after it: Wald's test, errors between patients.
first_year_test <- function(d, x, stratum, rules) {
  cut <- in_phases(d, 365)
  names_of <- c("before_seat", "vital")
  marks <- sapply(1:2, function(k) as.numeric(cut$phase == k))
  colnames(marks) <- c("first_year", "later")
  cut$entry_days <- cut$t0
  model <- cox(cut, cbind(marks, x[cut$row, , drop = FALSE]), stratum[cut$row])
  along <- c(first_year = 1, later = -1)
  v <- drop(t(along) %*% model$var[names(along), names(along)] %*% along)
  chi <- unname(diff(model$beta[names(along)])^2 / v)
  label <- ifelse(cut$phase > 0, c("first_year", "later")[pmax(cut$phase, 1)], cut$state)
  phases <- lapply(names(along), function(name) {
    co <- contrast(model, setNames(c(1, -1), c(name, "before_seat")), rules, failed_in(cut, c(name, "before_seat"), label))
    list(phase = one(name), failures = one(sum(cut$event[label == name])), hazard_ratio = one(co$hr),
         ci_low = one(co$low), ci_high = one(co$high))
  })
  list(chi = one(chi), p = one(pchisq(chi, 1, lower.tail = FALSE)), phases = phases)
}
