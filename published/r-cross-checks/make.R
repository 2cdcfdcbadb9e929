# Random data and the values R computes from them: Rscript make.R SEED FOLDER
# R 4.2, lme4, pROC, MASS, survival, spc and base R; where a package lacks a quantity, from its definition by matrix
# algebra, direct enumeration or numerical integration.
suppressPackageStartupMessages({library(lme4); library(pROC); library(MASS); library(survival); library(spc)})
arguments <- commandArgs(trailingOnly = TRUE)
seed <- as.integer(arguments[1]); folder <- arguments[2]
set.seed(seed, kind = "Mersenne-Twister", normal.kind = "Inversion", sample.kind = "Rejection")
rows <- list()
put <- function(check, quantity, value, tolerance = 1e-9)
  rows[[length(rows) + 1]] <<- data.frame(check = check, quantity = quantity, value = sprintf("%.15g", unname(value)),
                                          tolerance = tolerance)
save <- function(name, table) write.csv(table, file.path(folder, paste0(name, ".csv")), row.names = FALSE, quote = FALSE)
trace <- function(m) sum(diag(m))
hat <- function(x) x %*% solve(crossprod(x), t(x))
indicators <- function(f) model.matrix(~ f - 1)

## nested, three levels, unbalanced ------------------------------------------------------------------------------
lab <- day <- run <- character(0); y <- numeric(0)
for (l in 1:6) { a <- rnorm(1, 0, 2)
  for (d in 1:sample(2:4, 1)) { b <- rnorm(1, 0, 1.2)
    for (r in 1:sample(1:3, 1)) { c0 <- rnorm(1, 0, 0.8); n <- sample(1:4, 1)
      lab <- c(lab, rep(paste0("L", l), n)); day <- c(day, rep(paste0("D", d), n)); run <- c(run, rep(paste0("R", r), n))
      y <- c(y, round(100 + a + b + c0 + rnorm(n), 3)) } } }
save("nested", data.frame(lab, day, run, value = y))
f1 <- factor(lab); f2 <- factor(paste(lab, day)); f3 <- factor(paste(lab, day, run))
z <- list(indicators(f1), indicators(f2), indicators(f3), diag(length(y)))
p <- c(list(matrix(1 / length(y), length(y), length(y))), lapply(z[1:3], hat), list(diag(length(y))))
q <- lapply(1:4, function(i) p[[i + 1]] - p[[i]])
ss <- sapply(q, function(m) drop(t(y) %*% m %*% y))
expected <- t(sapply(q, function(m) sapply(z, function(u) trace(m %*% tcrossprod(u)))))
raw <- solve(expected, ss)
spread <- function(q, v) { k <- length(q); s <- matrix(0, k, k)
  for (i in 1:k) for (j in 1:k) s[i, j] <- 2 * trace(q[[i]] %*% v %*% q[[j]] %*% v); s }
vv <- Reduce(`+`, Map(function(s, u) s * tcrossprod(u), raw, z))
from <- solve(expected); covariance <- spread(q, vv)
names4 <- c("lab", "day", "run", "error")
for (k in 1:4) { put("nested", paste0("component_", names4[k]), raw[k])
  put("nested", paste0("se_", names4[k]), sqrt(drop(from[k, ] %*% covariance %*% from[k, ])), 1e-8) }
kept <- as.numeric(raw > 0); total <- sum(kept * raw); w <- kept %*% from
df <- 2 * total^2 / drop(w %*% covariance %*% t(w))
put("nested", "df_total", df, 1e-8); put("nested", "sd_total", sqrt(total))
put("nested", "sd_total_low", sqrt(total * df / qchisq(0.975, df)), 1e-8)
put("nested", "sd_total_high", sqrt(total * df / qchisq(0.025, df)), 1e-8)
fit <- suppressMessages(lmer(y ~ 1 + (1 | f1) + (1 | f2) + (1 | f3), control = lmerControl(optimizer = "bobyqa",
  optCtrl = list(rhoend = 1e-10, maxfun = 1e5), calc.derivs = FALSE)))
vc <- as.data.frame(VarCorr(fit))
for (k in 1:4) put("nested", paste0("reml_", names4[k]),
                   vc$vcov[match(c("f1", "f2", "f3", "Residual")[k], vc$grp)], 2e-4)

## crossed with interaction, unbalanced --------------------------------------------------------------------------
part <- rep(1:7, each = 4); oper <- rep(1:4, 7); n <- sample(0:3, 28, TRUE); n[n == 0 & runif(28) < 0.7] <- 2
a <- rnorm(7, 0, 3); b <- rnorm(4, 0, 1.5); ab <- rnorm(28, 0, 1)
part <- rep(part, n); oper <- rep(oper, n); cell <- rep(1:28, n)
y <- round(50 + a[part] + b[oper] + ab[cell] + rnorm(length(cell), 0, 0.7), 3)
save("crossed", data.frame(part = paste0("p", part), operator = paste0("o", oper), value = y))
z <- list(indicators(factor(part)), indicators(factor(oper)), indicators(factor(cell)), diag(length(y)))
one <- matrix(1 / length(y), length(y), length(y))
h <- lapply(z[1:3], hat)
q <- list(h[[1]] - one, h[[2]] - one, h[[3]] - h[[1]] - h[[2]] + one, diag(length(y)) - h[[3]])
yc <- y - mean(y)
ss <- sapply(q, function(m) drop(t(yc) %*% m %*% yc))
expected <- t(sapply(q, function(m) sapply(z, function(u) trace(m %*% tcrossprod(u)))))
raw <- solve(expected, ss); from <- solve(expected)
vv <- Reduce(`+`, Map(function(s, u) s * tcrossprod(u), raw, z)); covariance <- spread(q, vv)
names4 <- c("part", "operator", "interaction", "error")
for (k in 1:4) { put("crossed", paste0("component_", names4[k]), raw[k], 1e-8)
  put("crossed", paste0("se_", names4[k]), sqrt(drop(from[k, ] %*% covariance %*% from[k, ])), 1e-7) }
fit <- suppressMessages(lmer(y ~ 1 + (1 | factor(part)) + (1 | factor(oper)) + (1 | factor(cell)),
  control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5), calc.derivs = FALSE)))
vc <- as.data.frame(VarCorr(fit))
for (k in 1:4) put("crossed", paste0("reml_", names4[k]),
                   vc$vcov[match(c("factor(part)", "factor(oper)", "factor(cell)", "Residual")[k], vc$grp)], 2e-4)

## intraclass correlations -----------------------------------------------------------------------------------------
table <- round(outer(rnorm(9, 20, 3), rnorm(4, 0, 1), "+") + matrix(rnorm(36), 9), 2)
long <- data.frame(target = paste0("t", rep(1:9, 4)), reader = paste0("r", rep(1:4, each = 9)), value = as.vector(table))
save("targets", long)
an <- anova(lm(value ~ target + reader, long)); ms <- an$"Mean Sq"; k <- 4; n <- 9
within <- (an$"Sum Sq"[2] + an$"Sum Sq"[3]) / (n * (k - 1))
put("targets", "one_way", (ms[1] - within) / (ms[1] + (k - 1) * within))
put("targets", "fixed", (ms[1] - ms[3]) / (ms[1] + (k - 1) * ms[3]))
put("targets", "two_way", (ms[1] - ms[3]) / (ms[1] + (k - 1) * ms[3] + k * (ms[2] - ms[3]) / n))
put("targets", "fixed_mean", (ms[1] - ms[3]) / ms[1])
fl <- ms[1] / within / qf(0.975, n - 1, n * (k - 1)); fu <- ms[1] / within * qf(0.975, n * (k - 1), n - 1)
put("targets", "one_way_low", (fl - 1) / (fl + k - 1)); put("targets", "one_way_high", (fu - 1) / (fu + k - 1))

## duplicates of fresh samples, logarithms --------------------------------------------------------------------------
level <- exp(rnorm(15, 5, 0.6)); first <- round(level * exp(rnorm(15, 0, 0.06)), 2)
second <- round(level * exp(rnorm(15, 0, 0.06)), 2)
save("duplicates", data.frame(first, second))
d <- log(second / first); s <- sqrt(sum(d^2) / 2 / 15)
put("duplicates", "sd_control", s); put("duplicates", "cv_control", sqrt(exp(s^2) - 1))
put("duplicates", "cv_low", sqrt(exp(s^2 * 15 / qchisq(0.975, 15)) - 1))
put("duplicates", "cv_high", sqrt(exp(s^2 * 15 / qchisq(0.025, 15)) - 1))

## two methods ---------------------------------------------------------------------------------------------------
true <- sort(runif(35, 20, 120)); x <- round(true + rnorm(35, 0, 3), 1); y <- round(2 + 1.05 * true + rnorm(35, 0, 4), 1)
sx <- round(runif(35, 2, 5), 2); sy <- round(runif(35, 2, 6), 2)
save("methods", data.frame(x, y, x_sd = sx, y_sd = sy))
line <- function(x, y, w, ratio) {   # minimises the weighted distances numerically, ratio = var x / var y
  # from the eigenvector of the scaled scatter matrix
  mx <- weighted.mean(x, w); my <- weighted.mean(y, w)
  m <- crossprod(cbind((x - mx) / sqrt(ratio), y - my) * sqrt(w)); v <- eigen(m)$vectors[, 1]
  b <- v[2] / v[1] / sqrt(ratio); c(my - b * mx, b) }
jack <- function(fit) { all <- fit(1:35); each <- t(sapply(1:35, function(i) fit(setdiff(1:35, i))))
  se <- apply(each, 2, function(e) sqrt(34 / 35 * sum((e - mean(e))^2)))
  cv <- 34 / 35 * crossprod(scale(each, scale = FALSE)); list(all = all, se = se, cv = cv) }
ratio <- 0.6
plain <- jack(function(i) line(x[i], y[i], rep(1, length(i)), ratio))
put("methods", "deming_intercept", plain$all[1]); put("methods", "deming_slope", plain$all[2])
put("methods", "deming_se_intercept", plain$se[1], 1e-8); put("methods", "deming_se_slope", plain$se[2], 1e-8)
put("methods", "deming_slope_high", plain$all[2] + qt(0.975, 33) * plain$se[2])
bias <- plain$all[1] + (plain$all[2] - 1) * 60; g <- c(1, 60)
put("methods", "deming_bias60_low", bias - qt(0.975, 33) * sqrt(drop(g %*% plain$cv %*% g)), 1e-7)
weighted <- function(i) { x <- x[i]; y <- y[i]; w <- rep(1, length(x)); old <- c(0, 0)
  for (step in 1:1000) { ab <- line(x, y, w, ratio); if (max(abs(ab - old)) < 1e-13) break; old <- ab
    X <- (x / ratio + ab[2] * (y - ab[1])) / (1 / ratio + ab[2]^2); w <- 1 / ((X + ab[1] + ab[2] * X) / 2)^2; w <- w / max(w) }
  ab }
heavy <- jack(weighted)
put("methods", "weighted_intercept", heavy$all[1], 1e-7); put("methods", "weighted_slope", heavy$all[2], 1e-8)
put("methods", "weighted_se_intercept", heavy$se[1], 1e-6); put("methods", "weighted_se_slope", heavy$se[2], 1e-6)
chi2 <- function(ab) sum((y - ab[1] - ab[2] * x)^2 / (sy^2 + ab[2]^2 * sx^2))
best <- optim(plain$all, chi2, method = "BFGS", control = list(reltol = 1e-16, maxit = 1000))$par
for (k in 1:20) { gr <- numDeriv::grad(chi2, best); he <- numDeriv::hessian(chi2, best); best <- best - solve(he, gr) }
w <- 1 / (sy^2 + best[2]^2 * sx^2); xb <- weighted.mean(x, w)
X <- x + w * (y - best[1] - best[2] * x) * best[2] * sx^2
put("methods", "york_intercept", best[1], 1e-7); put("methods", "york_slope", best[2], 1e-8); put("methods", "york_chi2", chi2(best))
sb <- 1 / sqrt(sum(w * (X - weighted.mean(X, w))^2)); put("methods", "york_se_slope", sb, 1e-6)
put("methods", "york_se_intercept", sqrt(1 / sum(w) + weighted.mean(X, w)^2 * sb^2), 1e-6)
xi <- round(x * 10); yi <- round(y * 10); s <- numeric(0)
for (i in 1:34) for (j in (i + 1):35) { dx <- xi[j] - xi[i]; dy <- yi[j] - yi[i]
  if (dx == 0 && dy == 0) next; if (dx == 0) { s <- c(s, sign(dy) * Inf); next }; if (dx == -dy) next; s <- c(s, dy / dx) }
s <- sort(s); K <- sum(s < -1); N <- length(s); half <- qnorm(0.975) * sqrt(35 * 34 * 75 / 18)
b <- if (N %% 2) s[(N + 1) / 2 + K] else (s[N / 2 + K] + s[N / 2 + 1 + K]) / 2
m1 <- floor((N - half) / 2 + 0.5); b1 <- s[m1 + K]; b2 <- s[N - m1 + 1 + K]
put("methods", "pb_slope", b); put("methods", "pb_low", b1); put("methods", "pb_high", b2)
put("methods", "pb_intercept", median(y - b * x), 1e-8); put("methods", "pb_intercept_low", median(y - b2 * x), 1e-7)
put("methods", "pb_intercept_high", median(y - b1 * x), 1e-7)
d <- y - x; m <- mean(d); s <- sd(d); n <- 35
tn <- function(p) uniroot(function(q) pt(q, n - 1, 1.96 * sqrt(n)) - p, c(0, 60), tol = 1e-13)$root
put("methods", "limit_upper", m + 1.96 * s); put("methods", "limit_upper_low", m + s * tn(0.025) / sqrt(n), 1e-8)
put("methods", "limit_upper_high", m + s * tn(0.975) / sqrt(n), 1e-8)

## repeated readings, unequal numbers ----------------------------------------------------------------------------
subject <- rep(paste0("s", 1:10), sample(1:4, 10, TRUE)); base <- rnorm(10, 50, 8)
i <- as.integer(factor(subject, levels = paste0("s", 1:10)))
bias0 <- rnorm(10, 1, 2); x <- round(base[i] + rnorm(length(i), 0, 2), 2); y <- round(base[i] + bias0[i] + rnorm(length(i), 0, 3), 2)
save("repeats", data.frame(subject, x, y))
vx <- summary(aov(x ~ subject))[[1]]$"Mean Sq"[2]; vy <- summary(aov(y ~ subject))[[1]]$"Mean Sq"[2]
mi <- tapply(x, subject, length); dbar <- tapply(y, subject, mean) - tapply(x, subject, mean)
put("repeats", "constant_bias", mean(dbar))
put("repeats", "constant_sd", sqrt(var(dbar) + (1 - mean(1 / mi)) * vx + (1 - mean(1 / mi)) * vy))
an <- summary(aov(I(y - x) ~ subject))[[1]]; ms <- an$"Mean Sq"; nn <- sum(mi)
m0 <- (nn - sum(mi^2) / nn) / 9
put("repeats", "varying_between", (ms[1] - ms[2]) / m0); put("repeats", "varying_sd", sqrt(max(0, (ms[1] - ms[2]) / m0) + ms[2]))

## straight lines and polynomials ---------------------------------------------------------------------------------
x <- rep(c(1, 2, 4, 7, 11, 16), times = c(3, 2, 4, 3, 2, 3)); y <- round(3 + 2 * x - 0.02 * x^2 + rnorm(17, 0, 0.8), 3)
save("line", data.frame(x, y))
f <- lm(y ~ x); g <- lm(y ~ x + I(x^2) + I(x^3))
pr <- predict(f, data.frame(x = 9.5), interval = "confidence", level = 0.9); put("line", "mean_low", pr[2]); put("line", "mean_high", pr[3])
pr <- predict(f, data.frame(x = 9.5), interval = "prediction", level = 0.9); put("line", "reading_low", pr[2]); put("line", "reading_high", pr[3])
an <- anova(f, lm(y ~ factor(x))); put("line", "lack_f", an$F[2]); put("line", "lack_p", an$"Pr(>F)"[2], 1e-8)
cf <- summary(g)$coefficients; put("line", "cubic_p", cf[4, 4], 1e-7); put("line", "cubic_se", cf[4, 2], 1e-8)
at <- data.frame(x = c(1, 7, 16)); away <- predict(g, at) - predict(f, at)
xg <- model.matrix(~ x + I(x^2) + I(x^3), data.frame(x = x)); xf <- model.matrix(~x)
for (k in 1:3) { r <- at$x[k]; l <- c(1, r, r^2, r^3) %*% solve(crossprod(xg), t(xg)) - c(1, r) %*% solve(crossprod(xf), t(xf))
  se <- summary(g)$sigma * sqrt(sum(l^2)); put("line", paste0("deviation_", r), away[k], 1e-7)
  put("line", paste0("deviation_high_", r), away[k] + qt(0.95, 13) * se, 1e-7) }
wf <- lm(y ~ x, weights = 1 / x^2); put("line", "weighted_slope_se", summary(wf)$coefficients[2, 2])
put("line", "weighted_high", predict(wf, data.frame(x = 9.5), interval = "confidence")[3])

## calibration limits -------------------------------------------------------------------------------------------
x <- rep(c(0, 0.5, 1, 1.5, 2, 2.5), 2); y <- round(0.1 + 1.7 * x + rnorm(12, 0, 0.06), 4); save("calibration", data.frame(x, y))
f <- lm(y ~ x); s <- summary(f)$sigma / coef(f)[2]; n <- 12; sxx <- sum((x - mean(x))^2)
shape <- sqrt(1 / 2 + 1 / n + mean(x)^2 / sxx)
put("calibration", "critical", s * qt(0.95, 10) * shape); put("calibration", "detection", 2 * s * qt(0.95, 10) * shape)
delta <- uniroot(function(d) pt(qt(0.95, 10), 10, d) - 0.05, c(0, 12), tol = 1e-13)$root
put("calibration", "detection_exact", delta * s * shape, 1e-8)
loq <- uniroot(function(u) u - 3 * s * qt(0.975, 10) * sqrt(1 / 2 + 1 / n + (u - mean(x))^2 / sxx), c(0, 5), tol = 1e-13)$root
put("calibration", "quantitation", loq)

## probit -------------------------------------------------------------------------------------------------------
repeat { conc <- c(0.5, 1, 2, 4, 8, 16); trials <- sample(18:30, 6, TRUE); hits <- rbinom(6, trials, pnorm(-0.8 + 2.2 * log10(conc)))
  if (sum(hits > 0 & hits < trials) >= 3) break }
save("probit", data.frame(conc, hits, trials))
f <- glm(cbind(hits, trials - hits) ~ log10(conc), family = binomial("probit"), control = list(epsilon = 1e-15, maxit = 200))
b <- coef(f); v <- vcov(f); zz <- qnorm(0.95)
put("probit", "intercept", b[1], 1e-7); put("probit", "slope", b[2], 1e-7); put("probit", "var_slope", v[2, 2], 1e-6)
put("probit", "deviance", deviance(f), 1e-8); put("probit", "pearson", sum(residuals(f, "pearson")^2), 1e-6)
put("probit", "limit", 10^((zz - b[1]) / b[2]), 1e-7)
dp <- MASS::dose.p(f, p = 0.95); put("probit", "delta_high", 10^(dp[1] + qnorm(0.975) * attr(dp, "SE")), 1e-6)
t2 <- qnorm(0.975)^2; fi <- function(u) (zz - b[1] - b[2] * u)^2 - t2 * (v[1, 1] + 2 * u * v[1, 2] + u^2 * v[2, 2])
at <- (zz - b[1]) / b[2]
if (b[2]^2 > t2 * v[2, 2]) { put("probit", "fieller_low", 10^uniroot(fi, c(at - 8, at), tol = 1e-14)$root, 1e-6)
  put("probit", "fieller_high", 10^uniroot(fi, c(at, at + 60), tol = 1e-14)$root, 1e-6) }
top <- as.numeric(logLik(f))
profile <- function(u) { g <- glm(cbind(hits, trials - hits) ~ I(log10(conc) - u) - 1, offset = rep(zz, 6),
  family = binomial("probit"), start = b[2], control = list(epsilon = 1e-15, maxit = 500)); top - as.numeric(logLik(g)) - qchisq(0.95, 1) / 2 }
put("probit", "profile_low", 10^uniroot(profile, c(at - 0.6, at), tol = 1e-12, extendInt = "downX")$root, 1e-5)
put("probit", "profile_high", 10^uniroot(profile, c(at, at + 0.6), tol = 1e-12, extendInt = "upX")$root, 1e-5)

## reference values ----------------------------------------------------------------------------------------------
x <- round(rlnorm(130, 3, 0.35), 2); save("reference", data.frame(value = x))
put("reference", "rank_low", quantile(x, 0.025, type = 6)); put("reference", "rank_high", quantile(x, 0.975, type = 6))
lo <- max(which(pbinom(0:129, 130, 0.025) <= 0.05)); s <- sort(x)
put("reference", "rank_low_low", s[lo]); put("reference", "rank_low_high", s[min(which(pbinom(0:129, 130, 0.025) >= 0.95)) + 0])
put("reference", "normal_high", mean(x) + qnorm(0.975) * sd(x))
nct <- function(p, zq) uniroot(function(q) pt(q, 129, zq * sqrt(130)) - p, c(0, 60), tol = 1e-13)$root / sqrt(130)
put("reference", "normal_high_low", mean(x) + sd(x) * nct(0.05, qnorm(0.975)), 1e-8)
put("reference", "normal_high_high", mean(x) + sd(x) * nct(0.95, qnorm(0.975)), 1e-8)
ll <- function(l) { z <- if (abs(l) < 1e-12) log(x) else (x^l - 1) / l; -130 / 2 * log(mean((z - mean(z))^2)) + (l - 1) * sum(log(x)) }
lam <- optimize(ll, c(-3, 3), maximum = TRUE, tol = 1e-12)$maximum
lam <- lam - numDeriv::grad(ll, lam) / numDeriv::hessian(ll, lam)[1, 1]
put("reference", "lambda", lam, 2e-5)
put("reference", "lambda_low", uniroot(function(l) ll(l) - ll(lam) + qchisq(0.95, 1) / 2, c(lam - 3, lam), tol = 1e-12)$root, 1e-6)
z <- (x^lam - 1) / lam; put("reference", "boxcox_high", (lam * (mean(z) + qnorm(0.975) * sd(z)) + 1)^(1 / lam), 1e-5)
bw <- function(x, c0, about, scale) { u <- (x - about) / (c0 * scale); k <- abs(u) < 1
  sqrt(length(x) * sum((x[k] - about)^2 * (1 - u[k]^2)^4)) / abs(sum((1 - u[k]^2) * (1 - 5 * u[k]^2))) }
m <- median(x); s0 <- median(abs(x - m)) / 0.6745; t0 <- m
for (k in 1:500) { u <- (x - t0) / (3.7 * s0); w <- ifelse(abs(u) < 1, (1 - u^2)^2, 0); t1 <- sum(w * x) / sum(w); if (abs(t1 - t0) < 1e-14) break; t0 <- t1 }
put("reference", "biweight_location", t0)
group <- rep(c("a", "b"), c(60, 70)); one <- x[1:60]; two <- x[61:130]
put("reference", "partition_z", abs(mean(one) - mean(two)) / sqrt(var(one) / 60 + var(two) / 70))

## receiver operating characteristic ---------------------------------------------------------------------------------
ill <- rep(c(1, 0), c(28, 37)); u <- rnorm(65); a <- round(u + 1.1 * ill + rnorm(65, 0, 0.5), 1); b <- round(u + 0.6 * ill + rnorm(65, 0, 0.7), 1)
save("curve", data.frame(ill, a, b))
ra <- roc(ill, a, direction = "<", quiet = TRUE); rb <- roc(ill, b, direction = "<", quiet = TRUE)
put("curve", "area_a", as.numeric(auc(ra))); put("curve", "area_b", as.numeric(auc(rb))); put("curve", "var_a", var(ra, method = "delong"))
ci <- ci.auc(ra, method = "delong"); put("curve", "wald_low", ci[1])
A <- as.numeric(auc(ra)); se <- sqrt(var(ra, method = "delong")); lo <- qlogis(A) - qnorm(0.975) * se / (A * (1 - A))
put("curve", "logit_low", plogis(lo)); tt <- roc.test(ra, rb, method = "delong", paired = TRUE)
put("curve", "paired_z", tt$statistic); put("curve", "paired_p", tt$p.value, 1e-7)
co <- coords(ra, "all", ret = c("threshold", "sensitivity", "specificity"), transpose = FALSE); j <- co$sensitivity + co$specificity
pick <- which(j > max(j) - 1e-9); pick <- pick[which.max(co$sensitivity[pick])]
put("curve", "youden_cut", co$threshold[pick]); put("curve", "youden_sensitivity", co$sensitivity[pick]); put("curve", "youden_specificity", co$specificity[pick])
pa <- a > 0.5; pb <- b > 0.5; tp <- sum(pa & ill == 1); fp <- sum(pa & ill == 0)
put("curve", "lr_positive", (tp / 28) / (fp / 37)); put("curve", "lr_positive_high", exp(log((tp / 28) / (fp / 37)) + qnorm(0.975) * sqrt(1 / tp - 1 / 28 + 1 / fp - 1 / 37)))
bt <- binom.test(tp, 28)$conf.int; put("curve", "sensitivity_low", bt[1]); put("curve", "sensitivity_high", bt[2])
pt0 <- prop.test(tp, 28, correct = FALSE)$conf.int; put("curve", "sensitivity_score_low", pt0[1])
t4 <- table(factor(pa, c(TRUE, FALSE)), factor(pb, c(TRUE, FALSE)))
put("curve", "mcnemar_p", mcnemar.test(t4, correct = FALSE)$p.value, 1e-8); put("curve", "mcnemar_p_corrected", mcnemar.test(t4)$p.value, 1e-8)
put("curve", "mcnemar_exact", binom.test(t4[1, 2], t4[1, 2] + t4[2, 1])$p.value, 1e-8)

## two lots -------------------------------------------------------------------------------------------------------
old <- round(rlnorm(18, 4, 0.5), 2); new <- round(old * exp(rnorm(18, 0.02, 0.05)), 2); save("lots", data.frame(old, new))
te <- t.test(new, old, paired = TRUE, conf.level = 0.9); put("lots", "low", te$conf.int[1], 1e-8); put("lots", "high", te$conf.int[2], 1e-8)
put("lots", "p", max(t.test(new - old, mu = -8, alternative = "greater")$p.value, t.test(new - old, mu = 8, alternative = "less")$p.value), 1e-8)
te <- t.test(log(new / old), conf.level = 0.9); put("lots", "ratio_high", exp(te$conf.int[2]))
wt <- suppressWarnings(wilcox.test(new - old, conf.int = TRUE, conf.level = 0.9, exact = TRUE))
dd <- new - old
wa <- sort(outer(dd, dd, "+")[upper.tri(diag(18), diag = TRUE)] / 2); k <- qsignrank(0.05, 18)
put("lots", "shift", median(wa)); put("lots", "shift_low", wa[k], 1e-8); put("lots", "shift_high", wa[171 - k + 1], 1e-8)
if (!any(duplicated(round(abs(dd), 2))) && all(dd != 0)) stopifnot(all.equal(c(wt$conf.int), c(wa[k], wa[171 - k + 1]), tolerance = 1e-4))
put("lots", "rank_p", psignrank(sum(wa <= -8), 18), 1e-8)
tost <- function(n, s, m, d = 0, a = 0.05) { e <- qt(1 - a, n - 1); se <- s / sqrt(n)
  integrate(function(u) sapply(u, function(v) { q <- sqrt(v / (n - 1)); max(0, pnorm((m - d) / se - e * q) - pnorm((-m - d) / se + e * q)) }) * dchisq(u, n - 1),
            0, (n - 1) * (m / se / e)^2, rel.tol = 1e-11, subdivisions = 2000)$value }
put("lots", "power", tost(18, 6, 4, 0.5), 1e-7); put("lots", "power_small", tost(5, 1, 1.4), 1e-7)

## charts -------------------------------------------------------------------------------------------------------
for (n in c(3, 5, 12)) { m1 <- integrate(function(w) 1 - ptukey(w, n, Inf), 0, 12, rel.tol = 1e-10)$value
  m2 <- integrate(function(w) 2 * w * (1 - ptukey(w, n, Inf)), 0, 12, rel.tol = 1e-10)$value
  put("charts", paste0("d2_", n), m1, 1e-7); put("charts", paste0("d3_", n), sqrt(m2 - m1^2), 1e-6)
  put("charts", paste0("c4_", n), sqrt(2 / (n - 1)) * gamma(n / 2) / gamma((n - 1) / 2)) }
for (d in c(0, 0.5, 1, 2)) { put("charts", paste0("ewma_", d), xewma.arl(0.2, 3, d, sided = "two", limits = "fix", r = 80), 1e-6)
  put("charts", paste0("ewma_varying_", d), xewma.arl(0.2, 3, d, sided = "two", limits = "vacl", r = 80), 1e-4)
  put("charts", paste0("cusum_", d), xcusum.arl(0.5, 5, d, sided = "two", r = 80), 1e-5) }

## designs ------------------------------------------------------------------------------------------------------
put("designs", "t_two", power.t.test(n = 17, delta = 1, sd = 1.1, strict = TRUE)$power, 1e-8)
put("designs", "t_paired", power.t.test(n = 12, delta = 0.8, sd = 1, type = "paired", strict = TRUE)$power, 1e-8)
put("designs", "t_n", power.t.test(delta = 0.7, sd = 1, power = 0.9, strict = TRUE, tol = 1e-12)$n, 1e-6)
cut <- qbinom(0.95, 60, 0.85) + 1; put("designs", "share", pbinom(cut - 1, 60, 0.95, lower.tail = FALSE))
put("designs", "sd", pchisq(qchisq(0.05, 24) * 1.5^2, 24), 1e-9)
A <- 0.88; hm <- function(A, n) sqrt((A * (1 - A) + (n - 1) * (A / (2 - A) - A^2) + (n - 1) * (2 * A^2 / (1 + A) - A^2)) / n^2)
put("designs", "area", pnorm((A - 0.75 - qnorm(0.95) * hm(0.75, 60)) / hm(A, 60)))
la <- function(n, s, allow, bias) { z <- qnorm(0.975); f <- z + qt(0.975, n - 1) * sqrt(1 / n + z^2 / 2 / (n - 1))
  integrate(function(v) { q <- sqrt(v / (n - 1)); pmax(0, pnorm((allow - bias - f * q * s) * sqrt(n) / s) - pnorm((-allow - bias + f * q * s) * sqrt(n) / s)) * dchisq(v, n - 1) },
            0, 500, rel.tol = 1e-11, subdivisions = 5000)$value }
put("designs", "limits", la(60, 1, 2.8, 0.1), 1e-6)
put("designs", "wilks", 1 - 0.95^93 - 93 * 0.05 * 0.95^92)

## times that may not end, and bounds ---------------------------------------------------------------------------------
onset <- round(rexp(30, 1 / 9), 1) + 1; open <- rbinom(30, 1, 0.25); blank <- round(rexp(30, 1 / 16), 1) + 1; blank_open <- rbinom(30, 1, 0.3)
save("times", data.frame(onset, open, blank, blank_open))
sf <- survfit(Surv(onset, 1 - open) ~ 1, conf.type = "log-log"); qq <- quantile(sf, 0.5)
put("times", "median", qq$quantile, 1e-9); put("times", "median_low", qq$lower); if (!is.na(qq$upper)) put("times", "median_high", qq$upper)
put("times", "survival_at_10", summary(sf, times = 10)$surv)
sd0 <- survdiff(Surv(c(onset, blank), 1 - c(open, blank_open)) ~ rep(1:2, each = 30)); put("times", "log_rank", sd0$chisq, 1e-7)
x <- round(runif(40, 0, 5), 2); y <- round(2 + 1.5 * x + rnorm(40), 2); above <- as.integer(y > 7); y <- pmin(y, 7); below <- as.integer(y < 2.5); y <- pmax(y, 2.5)
save("bounds", data.frame(x, y, below, above))
tf <- survreg(Surv(ifelse(below == 1, NA, y), ifelse(above == 1, NA, y), type = "interval2") ~ x, dist = "gaussian", control = list(rel.tolerance = 1e-13, maxiter = 200))
put("bounds", "intercept", coef(tf)[1], 1e-6); put("bounds", "slope", coef(tf)[2], 1e-6); put("bounds", "sd", tf$scale, 1e-6)
put("bounds", "se_slope", sqrt(vcov(tf)[2, 2]), 1e-5); put("bounds", "log_likelihood", tf$loglik[2], 1e-8)

## wells ---------------------------------------------------------------------------------------------------------
grid <- expand.grid(sample = 1:8, well = 1:5); grid <- grid[-sample(40, 5), ]
grid$value <- round(exp(4 + rnorm(8, 0, 0.4)[grid$sample] + c(0, 0.03, -0.02, 0.05, 0)[grid$well] + rnorm(35, 0, 0.04)), 3)
grid <- grid[order(grid$sample, grid$well), ]; grid$sample <- paste0("s", grid$sample); grid$well <- paste0("w", grid$well)
grid$level <- ifelse(grid$sample %in% c("s1", "s2", "s3", "s4"), "low", "high"); save("wells", grid)
options(contrasts = c("contr.sum", "contr.poly")); f <- lm(log(value) ~ sample + well, grid)
cf <- summary(f)$coefficients[c("well1", "well2", "well3", "well4"), ]; put("wells", "w1", exp(cf[1, 1])); put("wells", "w1_high", exp(cf[1, 1] + qt(0.95, f$df.residual) * cf[1, 2]))
put("wells", "w3", exp(cf[3, 1])); put("wells", "w1_high_adjusted", exp(cf[1, 1] + qt(0.99, f$df.residual) * cf[1, 2]))
put("wells", "f", anova(lm(log(value) ~ sample, grid), f)$F[2], 1e-8); put("wells", "f_level", anova(f, lm(log(value) ~ sample + well + well:level, grid))$F[2], 1e-7)

## doses and carry-over ------------------------------------------------------------------------------------------
dose <- rep(c(0, 1, 2, 4), 6); who <- rep(paste0("d", 1:6), each = 4)
y <- round(80 + rnorm(6, 0, 6)[rep(1:6, each = 4)] - (1.5 + rnorm(6, 0, 0.4)[rep(1:6, each = 4)]) * dose + rnorm(24), 2)
save("doses", data.frame(sample = who, dose, value = y))
own <- sapply(split(data.frame(dose, y), who), function(d) coef(lm(y ~ dose, d))[2]); put("doses", "slope_vary", mean(own))
te <- t.test(own, conf.level = 0.95)$conf.int; put("doses", "slope_vary_low", te[1]); f <- lm(y ~ factor(who) + dose)
put("doses", "slope_common", coef(f)["dose"]); put("doses", "slope_common_low", confint(f)["dose", 1])
te90 <- t.test(own, conf.level = 0.9)$conf.int; put("doses", "leaves_first", -5 / te90[1])
if (-5 / mean(own) <= 4) put("doses", "leaves", -5 / mean(own))
order <- sample(rep(1:4, 6)); level <- c(10, 40, 90, 150); own <- level[order]; prev <- c(NA, own[-24])
y <- round(ifelse(is.na(prev), own, own + 0.03 * (prev - own)) + rnorm(24, 0, 0.5), 3); save("carry", data.frame(sample = paste0("c", order), value = y))
z <- indicators(factor(order)); zp <- rbind(z[1, ], z[-24, ])
res <- function(c0) { m <- (1 - c0) * z + c0 * zp; m[1, ] <- z[1, ]; lm.fit(m, y)$residuals }
c0 <- optimize(function(c0) sum(res(c0)^2), c(-0.2, 0.3), tol = 1e-14)$minimum
put("carry", "share", c0, 1e-5); m <- (1 - c0) * z + c0 * zp; m[1, ] <- z[1, ]; be <- lm.fit(m, y)$coefficients
ja <- cbind(m, (zp - z) %*% be); ja[1, 5] <- 0; s2 <- sum(res(c0)^2) / 19; se <- sqrt(s2 * solve(crossprod(ja))[5, 5])
put("carry", "share_high", c0 + qt(0.95, 19) * se, 1e-5)

## fractions, rounds, variance functions, trends within subjects, budgets ---------------------------------------------
ba <- round(rnorm(14, 200, 40), 1); re <- round(ba * runif(14, 0.3, 0.5), 1); bl <- round(ba - 0.8 * (ba - re) + rnorm(14, 0, 4), 1)
save("block", data.frame(base = ba, blocked = bl, reference = re)); t0 <- ba - bl; u0 <- ba - re; r <- mean(t0) / mean(u0)
ff <- function(k) (mean(t0) - k * mean(u0))^2 - qt(0.975, 13)^2 * (var(t0) - 2 * k * cov(t0, u0) + k^2 * var(u0)) / 14
put("block", "fraction", r); put("block", "fraction_low", uniroot(ff, c(r - 1, r), tol = 1e-14)$root, 1e-8); put("block", "fraction_high", uniroot(ff, c(r, r + 1), tol = 1e-14)$root, 1e-8)
lab <- round(c(rnorm(22, 30, 1.2), 39, 22.5, 35.7), 2); save("round", data.frame(value = lab)); hu <- hubers(lab, k = 1.5, tol = 1e-14)
th <- 2 * pnorm(1.5) - 1; beta <- th + 1.5^2 * (1 - th) - 3 * dnorm(1.5); mu <- hu$mu; s <- hu$s   # MASS stops after 30 steps
for (k in 1:3000) { yy <- pmin(pmax(lab, mu - 1.5 * s), mu + 1.5 * s); mu <- mean(yy); s <- sd(yy) / sqrt(beta) }
put("round", "location", mu, 1e-9); put("round", "scale", s, 1e-9)
level <- c(2, 5, 12, 30, 70, 150); dfv <- c(5, 7, 6, 8, 5, 9); s <- round(sqrt((0.3^2 + (0.05 * level)^2) * rchisq(6, dfv) / dfv), 4)
save("spread", data.frame(level, sd = s, df = dfv))
pw <- glm(s^2 ~ log(level), family = Gamma("log"), weights = dfv / 2, control = list(epsilon = 1e-15, maxit = 200))
put("spread", "power", coef(pw)[2] / 2, 1e-6); put("spread", "power_sd_at_20", exp((coef(pw)[1] + coef(pw)[2] * log(20)) / 2), 1e-7)
dv <- function(q) { v <- exp(q[1]) + exp(q[2]) * level^2; sum(dfv * (log(v) + s^2 / v)) }
be <- optim(c(log(0.09), log(0.0025)), dv, method = "BFGS", control = list(reltol = 1e-16, maxit = 2000))$par
for (k in 1:30) { st <- tryCatch(solve(numDeriv::hessian(dv, be), numDeriv::grad(dv, be)), error = function(e) c(0, 0)); if (all(is.finite(st)) && max(abs(st)) < 1) be <- be - st }
inside <- max(abs(be)) < 25; put("spread", "both_deviance", dv(be), if (inside) 1e-8 else 1e-5)
put("spread", "both_sd_at_20", sqrt(exp(be[1]) + exp(be[2]) * 400), if (inside) 1e-5 else 1e-3)
u <- c(0.3, 0.05, 0.4); r12 <- 0.5; g <- c(1 / 5, -12 / 25, 2); m <- diag(u^2); m[1, 2] <- m[2, 1] <- r12 * u[1] * u[2]
put("budget", "u", sqrt(drop(g %*% m %*% g))); g2 <- g[c(1, 3)] * u[c(1, 3)]
put("budget", "df", sum(g2^2)^2 / (g2[1]^4 / 4 + g2[2]^4 / 9)); put("budget", "expanded", sqrt(sum(g2^2)) * qt(0.975, sum(g2^2)^2 / (g2[1]^4 / 4 + g2[2]^4 / 9)))

write.csv(do.call(rbind, rows), file.path(folder, "values.csv"), row.names = FALSE, quote = FALSE)
