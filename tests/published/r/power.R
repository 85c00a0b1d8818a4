# Exact power: the values of test_power_exact.py.
# Run with R 4.2.2:
#   Rscript tests/published/r/power.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

# strict = FALSE, the default, counts the side of the true effect only
test("test_two_levels_as_r_power_t_test")
tell("20 a level, true difference 1.00 sd: simulated", power.t.test(n = 20, delta = 1, sd = 1)$power)
tell("6 a level, true difference 1.25 sd: simulated", power.t.test(n = 6, delta = 0.25, sd = 0.2)$power)
tell("12 a level, true difference 1.39 sd: simulated", power.t.test(n = 12, delta = log(1.25), sd = 0.16)$power)

test("test_the_smallest_effect_as_r_power_t_test")
smallest <- power.t.test(n = 6, power = 0.8, sd = 0.16, tol = 1e-10)$delta
tell("smallest log ratio seen with 80 % chance, 6 a level", smallest)
