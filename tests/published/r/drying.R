# Drying curves: the values of test_drying_weighings.py.
# Run with R 4.2.2, MASS 7.3-58.2 (Debian 12):
#   Rscript tests/published/r/drying.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

wtloss <- MASS::wtloss

test("test_wtloss_against_r")
expn1 <- deriv(y ~ b0 + b1 * 2^(-x / th), c("b0", "b1", "th"), function(b0, b1, th, x) {})
m <- nls(Weight ~ expn1(b0, b1, th, Days), wtloss, start = list(b0 = 90, b1 = 95, th = 120),
         control = nls.control(tol = 1e-9))
s <- coef(summary(m))
tell("end mass, kg", s["b0", 1])
tell("mass to lose, kg", s["b1", 1])
tell("standard error of the end mass", s["b0", 2])
tell("standard error of the mass to lose", s["b1", 2])
tell("half time, days", s["th", 1])
tell("its standard error", s["th", 2])
tell("residual sum of squares", deviance(m))
tell("AIC", AIC(m))

test("test_day_on_which_a_mass_is_reached_against_r")
# the day d0 on which w0 kg is reached, by the form of MASS's scripts/ch08.R, section 8.5
limit <- deviance(m) * (1 + qf(0.95, 1, 49) / 49)
for (w0 in c(110, 100, 90)) {
  rss <- function(d0) {
    of <- function(b) {
      if (b[1] >= w0 || b[2] <= 0) return(Inf)
      sum((wtloss$Weight - b[1] - b[2] * ((w0 - b[1]) / b[2])^(wtloss$Days / d0))^2)
    }
    b <- c(min(coef(m)["b0"], w0 - 1), coef(m)["b1"])
    for (i in 1:20) b <- optim(b, of, control = list(reltol = 1e-16, maxit = 5000))$par
    of(b)
  }
  best <- coef(m)["th"] * log2(coef(m)["b1"] / (w0 - coef(m)["b0"]))
  end <- function(to) uniroot(function(d0) rss(d0) - limit, sort(c(to, best)), tol = 1e-9)$root
  tell(paste("day on which", w0, "kg is reached"), best)
  tell(paste("day of", w0, "kg, lower end of 95 %"), end(0.8 * best))
  tell(paste("day of", w0, "kg, upper end of 95 %"), end(1.3 * best))
}

test("test_both_curves_of_the_foodstuff_against_r")
# weighings of a foodstuff in a tray dryer, a textbook exercise: hours, kg
t <- c(0, 0.4, 0.8, 1.4, 2.2, 3.0, 4.2, 5.0, 7.0, 9.0, 12.0)
w <- c(4.944, 4.885, 4.808, 4.699, 4.554, 4.404, 4.241, 4.150, 4.019, 3.978, 3.955)
# as far as double precision goes; nls then warns that it comes no nearer
close <- nls.control(tol = 1e-12, nDcentral = TRUE, warnOnly = TRUE)
options(warn = -1)
plain <- nls(w ~ e + a * exp(-k * t), start = list(e = 3.9, a = 1, k = 0.3), control = close)
page <- nls(w ~ e + a * exp(-(k * t)^n), start = list(e = 3.9, a = 1, k = 0.3, n = 1.1), control = close)
tell("exponential: end mass, moisture (kg), rate (1/h)", coef(plain))
tell("exponential: standard errors", coef(summary(plain))[, 2])
tell("exponential: residual sum of squares", deviance(plain))
tell("Page: end mass, moisture, rate, power", coef(page))
tell("Page: standard errors", coef(summary(page))[, 2])
tell("Page: residual sum of squares", deviance(page))
tell("exponential: AIC", AIC(plain))
tell("Page: AIC", AIC(page))
