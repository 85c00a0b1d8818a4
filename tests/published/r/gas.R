# Fizz curves and storage: the values of test_fizz_curves.py.
# Run with R 4.2.2:
#   Rscript tests/published/r/gas.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

# as far as double precision goes; nls then warns that it comes no nearer
close <- nls.control(tol = 1e-12, nDcentral = TRUE, warnOnly = TRUE)
options(warn = -1)

# Per cent dissolved of six tablets, as in dip1 of the R package disprofas (Tsong and others 1996)
t <- c(5, 10, 15, 20, 30, 60, 90, 120)
tablets <- list(
  c(19.99, 36.70, 47.77, 55.08, 65.69, 81.37, 92.39, 97.10), c(22.08, 39.29, 49.46, 56.79, 67.22, 82.42, 89.93, 95.62),
  c(21.93, 38.54, 47.76, 55.14, 65.25, 83.49, 90.19, 95.62), c(22.44, 39.46, 49.72, 58.67, 69.21, 84.93, 94.12, 95.51),
  c(25.67, 42.35, 52.68, 59.71, 71.51, 86.61, 93.80, 96.70), c(26.37, 41.34, 51.01, 57.75, 69.44, 85.90, 94.45, 98.07)
)

test("test_dissolution_table_against_r")
y <- Reduce("+", tablets) / 6
c3 <- 1 - 0.5^(1 / 3)
shapes <- list(
  "first order" = nls(y ~ A * (1 - 2^(-t / h)), start = list(A = 95, h = 15), control = close),
  "cube root" = nls(y ~ A * (1 - pmax(1 - c3 * t / h, 0)^3), start = list(A = 90, h = 14), control = close),
  "weibull" = nls(y ~ A * (1 - 2^(-(t / h)^b)), start = list(A = 95, h = 15, b = 0.8), control = close)
)
for (shape in names(shapes)) {
  m <- shapes[[shape]]
  tell(paste0(shape, ": parameters"), coef(m))
  tell(paste0(shape, ": standard errors"), coef(summary(m))[, 2])
  tell(paste0(shape, ": residual sum of squares"), deviance(m))
}

test("test_each_tablet_against_r; test_a_published_release_seen_through_a_kitchen_scale holds the first")
for (i in 1:6) {
  y <- tablets[[i]]
  m <- nls(y ~ A * (1 - 2^(-(t / h)^b)), start = list(A = 95, h = 15, b = 0.8), control = close)
  tell(paste0("tablet ", i, ": A, h, b and residual sum"), coef(m), deviance(m))
}

test("test_weibull_with_a_start_against_r (the chick grows: the test turns its weight round)")
chick <- subset(ChickWeight, Chick == 6 & Time > 0)
m <- nls(weight ~ SSweibull(Time, Asym, Drop, lrc, pwr), chick, control = close)
p <- as.list(coef(m))
tell("Asym, Drop, lrc, pwr", coef(m))
tell("gas, half time and bend", p$Drop - p$Asym, p$Drop, (log(2) / exp(p$lrc))^(1 / p$pwr), p$pwr)
tell("residual sum of squares", deviance(m))
tell("standard error of the bend", coef(summary(m))["pwr", 2])

# Potency in per cent of the label by month, as in exp1 of the R package expirest (LeBlond and others 2011)
potency <- list(
  b2 = list(c(0, 1, 3, 3, 6, 6, 12, 12, 24, 24), c(101, 101.3, 99.8, 99.2, 99.5, 97.8, 97.4, 97.2, 96.9, 96)),
  b3 = list(c(0, 3, 3, 6, 6, 12, 12, 24, 24), c(104.8, 103, 101.2, 100.8, 99.2, 98.6, 97.2, 97.6, 98)),
  b4 = list(c(0, 3, 6, 6, 12, 12, 24, 24), c(104, 103.2, 102.8, 103.3, 102.4, 101.2, 99.1, 99.5)),
  b5 = list(c(0, 1, 2, 3, 3, 6, 6, 12, 12, 24, 24),
            c(102, 101.4, 100.8, 100.2, 99.7, 98.8, 98.5, 98, 97.1, 96.6, 96.1)),
  b7 = list(c(0, 1, 3, 3, 6, 6, 12, 12, 24, 24), c(101.3, 101.5, 100.2, 99.8, 99, 98.5, 98.5, 97.4, 96.6, 96.4)),
  b8 = list(c(0, 3, 6, 12, 12), c(101.6, 100, 99, 97.8, 97))
)
test("test_storage_loss_against_r")
s <- t.test(sapply(potency, function(b) -coef(lm(log(b[[2]]) ~ b[[1]]))[2]))
tell("loss a month", s$estimate)
tell("95 % interval", s$conf.int)
tell("degrees of freedom", s$parameter)
tell("months to 95 %", -log(0.95) / s$estimate)
tell("their interval", -log(0.95) / rev(s$conf.int))
