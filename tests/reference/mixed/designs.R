# Designs with their fits, as lines of words. Columns: x fixed, g grouping, s_g slope along g.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest)})
full <- function(v) paste(format(v, digits = 17, trim = TRUE), collapse = " ")
tell <- function(name, d) {
  n <- names(d)
  x <- n[grepl("^x", n)]; g <- n[grepl("^g", n)]; s <- n[grepl("^s_", n)]
  cat("design", name, "\n")
  for (c in c("y", x, s)) cat("column", c, full(d[[c]]), "\n")
  for (c in g) {
    d[[c]] <- factor(d[[c]])
    cat("column", c, as.integer(d[[c]]), "\n")
  }
  random <- c(sprintf("(1|%s)", g), sprintf("(0+%s|%s)", s, sub("s_", "", s))[seq_along(s)])
  model <- as.formula(paste("y ~ 0 +", paste(c(x, random), collapse = "+")))
  control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9), check.conv.singular = "ignore",
                         check.conv.grad = "ignore")
  m <- lmerTest::lmer(model, d, control = control)
  v <- as.data.frame(VarCorr(m))
  for (i in seq_len(nrow(v))) {
    term <- sub("\\.[0-9]+$", "", v$grp[i])
    if (!is.na(v$var1[i]) && v$var1[i] != "(Intercept)") term <- v$var1[i]
    cat("variance", term, full(v$vcov[i]), "\n")
  }
  cat("deviance", full(REMLcrit(m)), "\n")
  found <- coef(summary(m)); wide <- as.matrix(vcovAdj(m))
  for (i in seq_along(x)) {
    one <- as.numeric(seq_along(x) == i)
    cat("fixed", x[i], full(c(found[i, 1:3], sqrt(wide[i, i]), Lb_ddf(one, vcov(m), vcovAdj(m)))), "\n")
  }
}
tell("sleepstudy", with(sleepstudy, data.frame(y = Reaction, x0 = 1, x1 = Days, g1 = Subject)))
tell("sleepstudy-slopes", with(sleepstudy, data.frame(y = Reaction, x0 = 1, x1 = Days, g1 = Subject, s_g1 = Days)))
tell("Penicillin", with(Penicillin, data.frame(y = diameter, x0 = 1, g1 = plate, g2 = sample)))
tell("Pastes", with(Pastes, data.frame(y = strength, x0 = 1, g1 = batch, g2 = sample)))
set.seed(1)
d <- expand.grid(p = 1:10, s = 1:6, t = 1:2, e = 1:3)
d$y <- 10 + rnorm(6, 0, 2)[d$s] + rnorm(60)[(d$s - 1) * 10 + d$p] + rnorm(3, 0, .7)[d$e] +
  rnorm(12, 0, .5)[(d$s - 1) * 2 + d$t] + rnorm(nrow(d), 0, .6)
d <- d[runif(nrow(d)) < .7, ]
tell("places-examiners-sessions", with(d, data.frame(y = y, x0 = 1, g1 = s, g2 = paste(s, p), g3 = e, g4 = paste(s, t))))
d <- do.call(rbind, lapply(1:60, function(s) data.frame(s = s, e = sample(5, 2))))
d$y <- 10 + rnorm(60, 0, 2)[d$s] + rnorm(5, 0, .8)[d$e] + rnorm(120)
tell("two-of-five", with(d, data.frame(y = y, x0 = 1, g1 = s, g2 = e)))
d <- expand.grid(s = 1:15, e = 1:3)
d$y <- rnorm(15)[d$s] + rnorm(45)
d$y <- d$y - ave(d$y, d$e)
d <- d[-c(3, 17, 30, 31), ]
tell("on-the-bound", with(d, data.frame(y = y, x0 = 1, g1 = s, g2 = e)))
d <- expand.grid(r = 1:3, s = 1:24, v = 1:2)
d$group <- as.numeric(d$s > 9)
d <- d[runif(nrow(d)) < .8, ]
d$y <- rnorm(24)[d$s] + rnorm(48, 0, .5)[(d$s - 1) * 2 + d$v] + .5 * d$group + .3 * d$v + .4 * d$group * d$v +
  rnorm(nrow(d), 0, .7)
tell("groups-over-sessions", with(d, data.frame(y = y, x0 = 1, x1 = group, x2 = v, x3 = group * v, g1 = s, g2 = paste(s, v))))
d <- expand.grid(s = 1:8, e = 1:6, t = 1:2)
d <- d[runif(nrow(d)) < .6, ]
d$y <- 30 + rnorm(8, 0, 3)[d$s] + rnorm(6, 0, 2)[d$e] + rnorm(48, 0, 1.5)[(d$s - 1) * 6 + d$e] + rnorm(nrow(d))
tell("subject-by-examiner", with(d, data.frame(y = y, x0 = 1, x1 = t, g1 = s, g2 = e, g3 = paste(s, e))))
d <- data.frame(s = rep(1:30, sample(2:7, 30, TRUE)))
d$y <- rnorm(30, 0, .4)[d$s] + rnorm(nrow(d))
tell("one-way-unequal", with(d, data.frame(y = y, x0 = 1, g1 = s)))
