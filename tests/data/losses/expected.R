# Writes expected.json from teeth.csv: run as `Rscript expected.R` in this folder.
# late: survival's multi-state survfit with late entry; errors are the root of the sum over patients of its summed
# influences. plain: cmprsk's cuminc on the teeth that enter at once.
suppressMessages({library(survival); library(cmprsk); library(jsonlite)})
d <- read.csv("teeth.csv")
d$state <- factor(d$cause, 0:6); d$row <- seq_len(nrow(d))
at <- round(365.25 * c(1, 5, 10))
f <- survfit(Surv(entry, exit, state) ~ 1, d, id=row, influence=TRUE)
step <- findInterval(at, f$time)
from <- dim(f$influence.pstate)[2] - length(f$time)
pulls <- f$influence.pstate[, from + step, 2:7]
late <- list(share=f$pstate[step, 2:7],
             error=sapply(1:6, function(j) sqrt(colSums(rowsum(pulls[,,j], d$patient)^2))),
             total=1 - f$pstate[step, 1],
             total_error=sqrt(colSums(rowsum(rowSums(pulls, dims=2), d$patient)^2)))
p <- d[d$entry == 0,]
plain <- timepoints(cuminc(p$exit, p$cause), at)$est
writeLines(toJSON(list(r=R.version.string, survival=as.character(packageVersion("survival")),
                       cmprsk=as.character(packageVersion("cmprsk")), late=late, plain=unname(plain)),
                  digits=I(17), auto_unbox=TRUE), "expected.json")
