# Schools compared at the same places of the written parts: as the view place_effect, and as mixed models.
#
#   Rscript analysis/place_model.R [FOLDER]
#
# FOLDER is the exported package (default: the folder above this script's). Base R is enough. "within places" is the odds
# ratio within places (Mantel and Haenszel 1959) with players resampled; "mixed" a logistic model with places and players
# as random effects, by Laplace's approximation: what lme4 and glmmTMB fit. Its limits take the players' spread as known,
# so with few players they are somewhat narrow. Where at most places all slide or none does, the spread of places grows
# without end and the ratio with it, as in lme4 and glmmTMB: go by "within places" then. Prints one CSV table: model,
# term, ratio, low, high, p, remark; the remark says where a row may differ from the view, and why.
#
# A row of the table place is one time that a take came by a place at which it can be told whether the player slid. Its
# weight is how sure the place is. A player of several schools counts for the one of the greatest share.
#
# Never the usual errors of clogit or mantelhaen.test: rows of one player belong together, and such limits hold the truth
# in 73 to 80 of 100 corpora. survival::clogit(slid ~ school_id + strata(written_place_id)) gives nearly the same ratio;
# it takes no clusters with its exact method, so resample players around it as below.
#
# Models of your own, text to adapt (weights that are no whole numbers only bring a warning):
#   lme4::glmer(slid ~ school_id + (1 | written_place_id) + (1 | player_id), family = binomial, weights = weight,
#     data = place)
#   From 20 players, all at once:
#     glmmTMB::glmmTMB(slid ~ school_id + I((recorded_year - 1910) / 10) + interval_semitones + is_slurred +
#       (1 | work_id) + (1 | written_place_id) + (1 | player_id) + (1 | take_id), family = binomial(),
#       weights = weight, data = place)

given <- commandArgs(trailingOnly = FALSE)
script <- sub("^--file=", "", grep("^--file=", given, value = TRUE)[1])
args <- commandArgs(trailingOnly = TRUE)
folder <- if (length(args) >= 1) args[1] else file.path(dirname(script), "..")
place <- read.csv(file.path(folder, "csv", "place.csv"), na.strings = "", encoding = "UTF-8")
place <- place[!is.na(place$player_id) & !is.na(place$school_id), ]
result <- data.frame(model = character(), term = character(), ratio = numeric(), low = numeric(), high = numeric(),
                     p = numeric(), remark = character())

sums_at <- function(rows, places) {
  sum_of <- function(x) {
    found <- tapply(x, factor(rows$written_place_id, levels = places), sum)
    ifelse(is.na(found), 0, found)
  }
  list(slid = sum_of(rows$weight * rows$slid), told = sum_of(rows$weight))
}

# Sums over places of A D / N and B C / N.
both_sums <- function(a, n1, c, n2) {
  total <- n1 + n2
  kept <- total > 0
  c(above = sum((a * (n2 - c) / total)[kept]), below = sum(((n1 - a) * c / total)[kept]))
}

sums_by <- function(x, group, size) {
  found <- numeric(size)
  sums <- rowsum(x, group)
  found[as.integer(rownames(sums))] <- sums
  found
}

# Log-likelihood of slid ~ first + (1 | place) + (1 | player) by Laplace's approximation. par: logarithms of the two
# standard deviations, intercept, effect. Places are eliminated first, since each row has one place and one player.
log_likelihood <- function(par, rows, places, players) {
  spread <- exp(2 * pmax(par[1:2], -8))
  of_place <- numeric(places)
  of_player <- numeric(players)
  cell <- rows$place_number + places * (rows$player_number - 1)
  linear <- function(of_place, of_player) {
    par[3] + par[4] * rows$first + of_place[rows$place_number] + of_player[rows$player_number]
  }
  penalised <- function(of_place, of_player) {
    eta <- linear(of_place, of_player)
    sum(rows$weight * (rows$slid * eta - pmax(eta, 0) - log1p(exp(-abs(eta))))) - sum(of_place^2) / (2 * spread[1]) -
      sum(of_player^2) / (2 * spread[2])
  }
  for (step in 1:100) {
    mu <- plogis(linear(of_place, of_player))
    slope <- rows$weight * (rows$slid - mu)
    bend <- rows$weight * mu * (1 - mu)
    a <- sums_by(bend, rows$place_number, places) + 1 / spread[1]
    b <- matrix(sums_by(bend, cell, places * players), places)
    d <- sums_by(bend, rows$player_number, players) + 1 / spread[2]
    left <- diag(d, players) - crossprod(b, b / a)
    g <- sums_by(slope, rows$place_number, places) - of_place / spread[1]
    h <- sums_by(slope, rows$player_number, players) - of_player / spread[2]
    more_player <- as.vector(solve(left, h - crossprod(b, g / a)))
    more_place <- as.vector(g - b %*% more_player) / a
    # Half the step, and half of that, while it leads down: far from the top the curve is no parabola.
    now <- penalised(of_place, of_player)
    for (halved in 1:30) {
      if (penalised(of_place + more_place, of_player + more_player) >= now) break
      more_place <- more_place / 2
      more_player <- more_player / 2
    }
    of_place <- of_place + more_place
    of_player <- of_player + more_player
    if (max(abs(more_place), abs(more_player)) < 1e-9) break
  }
  penalised(of_place, of_player) - (places * log(spread[1]) + players * log(spread[2]) + sum(log(a)) +
      as.numeric(determinant(left)$modulus)) / 2
}

mixed <- function(rows) {
  rows$place_number <- as.integer(factor(rows$written_place_id))
  rows$player_number <- as.integer(factor(rows$player_id))
  size <- c(max(rows$place_number), max(rows$player_number))
  share <- weighted.mean(rows$slid, rows$weight)
  if (share == 0 || share == 1) return(NULL)
  lost <- function(par) -log_likelihood(par, rows, size[1], size[2])
  fit <- optim(c(0, -0.5, qlogis(share), 0), lost, method = "BFGS", hessian = TRUE, control = list(reltol = 1e-10))
  variance <- tryCatch(solve(fit$hessian)[4, 4], error = function(e) NA)
  # Where a spread is nought the curve is flat along it.
  if (is.na(variance) || variance <= 0) variance <- solve(fit$hessian[3:4, 3:4])[2, 2]
  c(middle = fit$par[4], error = sqrt(variance))
}

set.seed(1902)
schools <- sort(unique(as.character(place$school_id)))
if (length(schools) >= 2) for (pair in combn(schools, 2, simplify = FALSE)) {
  places <- sort(unique(as.character(place$written_place_id)))
  # By school and player, what was done at each place.
  groups <- lapply(pair, function(school) {
    own <- place[place$school_id == school, ]
    lapply(split(own, as.character(own$player_id)), sums_at, places = places)
  })
  pooled <- function(players) list(
    slid = Reduce(`+`, lapply(players, `[[`, "slid")), told = Reduce(`+`, lapply(players, `[[`, "told")))
  whole <- lapply(groups, pooled)
  shared <- whole[[1]]$told > 0 & whole[[2]]$told > 0
  if (!any(shared)) next
  ratio_of <- function(one, other, more = 0) {
    sums <- both_sums(one$slid[shared], one$told[shared], other$slid[shared], other$told[shared]) + more
    log(sums[["above"]] / sums[["below"]])
  }
  middle <- ratio_of(whole[[1]], whole[[2]])
  # Players who play at shared places; those who do not add nothing.
  groups <- lapply(groups, function(g) g[sapply(g, function(x) sum(x$told[shared]) > 0)])
  players <- sum(sapply(groups, length))
  if (!is.finite(middle) || players < 3) next
  drawn <- replicate(2000, {
    again <- lapply(groups, function(g) pooled(sample(g, length(g), replace = TRUE)))
    ratio_of(again[[1]], again[[2]], more = 0.25)
  })
  error <- sd(drawn) * sqrt(players / (players - 2))
  half <- qt(0.975, players - 2) * error
  result <- rbind(result, data.frame(
    model = "within places", term = paste(pair[1], "over", pair[2]), ratio = exp(middle), low = exp(middle - half),
    high = exp(middle + half), p = 2 * pt(-abs(middle) / error, players - 2),
    remark = "ratio as in the view; limits and p differ by some per cent, as each draws its own players"))

  rows <- place[place$school_id %in% pair, ]
  rows$first <- as.numeric(rows$school_id == pair[1])
  fitted <- mixed(rows)
  if (is.null(fitted)) next
  half <- qnorm(0.975) * fitted[["error"]]
  slid <- sums_at(rows, places)
  alike <- sum(slid$told > 0 & (slid$slid == 0 | slid$slid == slid$told))
  played <- sum(slid$told > 0)
  remark <- "another question than the view's: a ratio at one place and of one player; all rows, those of one school too"
  if (alike > played / 2) remark <- paste0(
    "not to be used: at ", alike, " of ", played, " places all slid or none did, so that the ratio grows without end")
  result <- rbind(result, data.frame(
    model = "mixed", term = paste(pair[1], "over", pair[2]), ratio = exp(fitted[["middle"]]),
    low = exp(fitted[["middle"]] - half), high = exp(fitted[["middle"]] + half),
    p = 2 * pnorm(-abs(fitted[["middle"]]) / fitted[["error"]]), remark = remark))
}
write.csv(result, stdout(), row.names = FALSE, quote = 7, na = "")
