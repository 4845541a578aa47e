# Writes rows.csv (what the Go tests read) and, from those very rows, fit.csv and
# median.csv: the reference figures of R's survival package. See README.md.
# Run in this folder: Rscript survival.R
library(survival)

set.seed(20261125)
rows <- list()
add <- function(set, days, event) {
  rows[[length(rows) + 1]] <<- data.frame(set = set, days = as.integer(days), event = as.integer(event))
}

# Remission in weeks of 21 children on 6-mercaptopurine and 21 on placebo
# (Freireich et al. 1963, Blood 21:699), as printed in the textbooks.
add("freireich_6mp", c(6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35), rep(c(1, 0), c(9, 12)))
add("freireich_placebo", c(1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23), rep(1, 21))
# Acute myelogenous leukaemia, ships with the package as aml.
with(subset(aml, x == "Maintained"), add("aml_maintained", time, status))
with(subset(aml, x == "Nonmaintained"), add("aml_nonmaintained", time, status))

# Edges.
add("one_event", 80, 1)
add("one_censored", 80, 0)
add("all_censored", c(10, 20, 20, 35, 60), 0)
add("all_events_one_day", rep(75, 6), 1)
add("ties_event_and_censoring", c(50, 50, 50, 50, 60, 60, 70, 70, 70, 90), c(1, 0, 1, 0, 0, 0, 1, 1, 0, 0))
add("median_not_reached", c(61, 70, 75, 80, 80, 90, 95, 100, 120, 150), c(1, 1, 0, 1, 0, 0, 0, 0, 0, 0))
add("upper_not_reached", c(61, 65, 70, 82, 90, 101, 130, 140), c(1, 1, 1, 1, 0, 1, 0, 0))
add("last_is_event", c(55, 60, 62, 68, 77, 91), c(1, 1, 0, 1, 0, 1))
add("last_is_censored", c(55, 60, 62, 68, 77, 91), c(1, 1, 0, 1, 1, 0))
add("flat_at_one_half", c(60, 65, 70, 75, 80, 95, 110, 120), 1)
add("flat_at_one_half_censored_after", c(60, 65, 70, 75), c(1, 1, 0, 0))
add("flat_at_one_half_with_censoring_inside", c(60, 65, 66, 70, 75, 80), c(1, 1, 1, 0, 1, 1))
add("two_events", c(60, 90), 1)
add("day_zero", c(0, 0, 0, 12, 40, 41), c(1, 0, 1, 1, 0, 1))
add("censored_first", c(3, 5, 60, 61, 75, 80, 81), c(0, 0, 1, 1, 1, 0, 1))

# Days to first service and days open as herds of different size have them.
for (n in c(7, 12, 40, 150, 600)) {
  first <- 55 + round(rexp(n, 1 / 30)); left <- round(rexp(n, 1 / 400))
  add(paste0("first_service_", n), pmin(first, left), first <= left)
  open <- 60 + 21 * rgeom(n, 0.18) + round(runif(n, 0, 20)); end <- round(runif(n, 0, 365))
  add(paste0("days_open_", n), pmin(open, end), open <= end)
}
add("heavy_ties", 60 + 5 * rpois(200, 3), rbinom(200, 1, 0.6))

# The constructed herd of the check vectors (X10, X11): what the indices of
# internal/repro must come to. D is not served, D and J are open, E left open.
add("constructed_first_service", c(60, 73, 51, 86, 71, 67, 106, 167, 61, 229), rep(c(1, 0), c(9, 1)))
add("constructed_days_open", c(81, 95, 51, 151, 89, 125, 202, 229, 239, 103), rep(c(1, 0), c(7, 3)))

rows <- do.call(rbind, rows)
write.csv(rows, "rows.csv", row.names = FALSE, quote = FALSE)

number <- function(x) ifelse(is.finite(x), trimws(formatC(x, digits = 12, format = "g")), "NA")
fits <- list(); medians <- list()
for (set in unique(rows$set)) {
  these <- rows[rows$set == set, ]
  fit <- survfit(Surv(days, event) ~ 1, data = these, conf.type = "log-log")
  s <- summary(fit, censored = TRUE)
  # std.err is that of the survival itself: the root of Greenwood's variance.
  fits[[set]] <- data.frame(set = set, days = s$time, at_risk = s$n.risk, events = s$n.event, censored = s$n.censor,
    survival = number(s$surv), std_err = number(s$std.err), low = number(s$lower), high = number(s$upper))
  t <- s$table
  medians[[set]] <- data.frame(set = set, n = t[["records"]], events = t[["events"]], median = number(t[["median"]]),
    low = number(t[["0.95LCL"]]), high = number(t[["0.95UCL"]]))
}
write.csv(do.call(rbind, fits), "fit.csv", row.names = FALSE, quote = FALSE)
write.csv(do.call(rbind, medians), "median.csv", row.names = FALSE, quote = FALSE)
cat(R.version.string, "; survival", as.character(packageVersion("survival")), "\n")
