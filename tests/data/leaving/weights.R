# Inverse probability of still being followed, Stanford heart transplant data (data set `heart` of R's survival): those
# still followed stand for those who left, by age, surgery and year beyond the transplant. Stretches are cut every 90 days.
d$transplant <- as.numeric(d$transplant)
cut <- survSplit(Surv(start, stop, event) ~ ., d, cut = seq(90, 1800, 90))
cut <- cut[order(cut$id, cut$start), ]
last <- !duplicated(cut$id, fromLast = TRUE)
cut$left <- as.integer(last & cut$event == 0)
much <- coxph(Surv(start, stop, left) ~ transplant + age + surgery + year, cut, control = tight)
little <- coxph(Surv(start, stop, left) ~ transplant, cut, control = tight)
expected <- predict(much, newdata = cut, type = "expected")
by_little <- predict(little, newdata = cut, type = "expected")
before <- function(v) ave(v, cut$id, FUN = function(u) cumsum(u) - u)
raw <- exp(before(expected) - before(by_little))
ends <- unname(quantile(raw, c(.01, .99)))
w <- pmin(pmax(raw, ends[1]), ends[2])
cut$w <- w
fit <- coxph(Surv(start, stop, event) ~ transplant + age, cut, weights = w, cluster = id, control = tight)
list(id = cut$id, start = cut$start, stop = cut$stop, event = cut$event, left = cut$left, transplant = cut$transplant,
     age = cut$age, surgery = cut$surgery, year = cut$year, much = unname(coef(much)), expected = unname(expected),
     raw = raw, ends = ends, w = w, coef = unname(coef(fit)), se = unname(sqrt(diag(fit$var))),
     naive = unname(sqrt(diag(fit$naive.var))))
