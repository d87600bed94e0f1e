# The numbers of the views, worked out again from the exported tables: a beginning for your own analysis.
#
#   Rscript analysis/slide_rate_model.R [FOLDER] [csv|stata|spss|parquet]
#
# FOLDER is the exported package (default: the folder above this script's). Base R is enough for csv; stata and
# spss need the package haven, parquet needs arrow. Prints one CSV table: model, term, ratio, low, high, p.
#
# What each table is for: take for rates and regressions (one row a take and player, takes without a slide with zero,
# takes not judged left out here); school_share for schools, since a player may belong to two; slide for the measures of
# slides, never for rates, since it knows nothing of music without any.
#
# "birth and recording": as the view cohort_and_period_effect with dates by the middles of their spans. Poisson model,
# takes of a player as a cluster, errors CR3 without (G - 1)/G (Mancl and DeRouen 2001), t of players less 1; the plain
# errors of glm would take slides of one player as independent and be far too sure.
# Counts are transitions on which a slide was found, whatever listeners said. slides_per_find corrects for slides missed
# and invented, as far as that is known (draws of it: glideline query DIR
# slides_per_find --as parquet --to FILE); without it leave it out.
# "schools": as the view comparison, between players: Welch's t test on the logarithms of players' rates, players of both
# schools left out. p is that of each row by itself: for all pairs, or all terms, at once p.adjust(p, "holm"), as p_holm
# in the views.
#
# Models of your own, text to adapt:
#   CR2 with Satterthwaite's degrees, as good with few players:
#     clubSandwich::coef_test(fit, vcov = "CR2", cluster = rows$player_id, test = "Satterthwaite")
#   From 20 players, all at once:
#     glmmTMB::glmmTMB(slid_transitions ~ school_id + born + recorded_at + process + offset(log(transitions / slides_per_find)) +
#       (1 | player_id) + (1 | player_id:session_key) + (1 | work_id), family = glmmTMB::nbinom2, data = rows)
#   The same by lme4, whose negative binomial is slower and sometimes does not converge:
#     lme4::glmer.nb(slid_transitions ~ school_id + born + recorded_at + process + offset(log(transitions / slides_per_find)) +
#       (1 | player_id) + (1 | player_id:session_key) + (1 | work_id), data = rows)
#   Players of a lineage who resemble their teachers, A the relationship matrix of the links (Henderson 1976):
#     brms::brm(slid_transitions ~ born + recorded_at + offset(log(transitions)) + (1 | gr(player_id, cov = A)),
#       family = brms::negbinomial(), data = rows, data2 = list(A = A))

given <- commandArgs(trailingOnly = FALSE)
script <- sub("^--file=", "", grep("^--file=", given, value = TRUE)[1])
args <- commandArgs(trailingOnly = TRUE)
folder <- if (length(args) >= 1) args[1] else file.path(dirname(script), "..")
format <- if (length(args) >= 2) args[2] else "csv"

# What each column means, its unit and its allowed values in order.
codebook <- read.csv(file.path(folder, "codebook.csv"), colClasses = "character", encoding = "UTF-8")

read_table <- function(name) {
  path <- function(ending) file.path(folder, ending, paste0(name, ".", c(
    csv = "csv", stata = "dta", spss = "sav", parquet = "parquet")[[ending]]))
  about <- codebook[codebook$table == name, ]
  if (format == "csv") {
    rows <- read.csv(path("csv"), colClasses = "character", na.strings = "", encoding = "UTF-8")
  } else if (format == "parquet") {
    rows <- as.data.frame(arrow::read_parquet(path("parquet")))
  } else {
    rows <- if (format == "stata") haven::read_dta(path("stata")) else haven::read_sav(path("spss"))
    rows <- as.data.frame(haven::as_factor(rows, only_labelled = TRUE))
    names(rows) <- about$column[match(names(rows), about$short_name)]
  }
  for (column in names(rows)) {
    entry <- about[about$column == column, ]
    if (nrow(entry) == 0) next
    text <- as.character(rows[[column]])
    text[!is.na(text) & text == ""] <- NA
    if (entry$type %in% c("number", "integer")) rows[[column]] <- as.numeric(text)
    else if (entry$type == "boolean") rows[[column]] <- tolower(text) %in% c("true", "yes", "1")
    else if (entry$type == "date") rows[[column]] <- as.Date(text)
    else if (entry$allowed_values != "") rows[[column]] <-
      factor(text, levels = strsplit(entry$allowed_values, "; ", fixed = TRUE)[[1]])
    else rows[[column]] <- text
    if (entry$unit != "") attr(rows[[column]], "units") <- entry$unit
  }
  rows
}

take <- read_table("take")
take <- take[take$judged & !is.na(take$transitions) & take$transitions > 0, ]
take$slid_transitions <- as.numeric(take$slid_transitions)
take$transitions <- as.numeric(take$transitions)
take$player_id <- as.character(take$player_id)
result <- data.frame(model = character(), term = character(), ratio = numeric(), low = numeric(), high = numeric(),
                     p = numeric())
row_of <- function(model, term, middle, error, freedom) {
  half <- qt(0.975, freedom) * error
  data.frame(model = model, term = term, ratio = exp(middle), low = exp(middle - half), high = exp(middle + half),
             p = 2 * pt(-abs(middle) / error, freedom))
}

# Birth and recording, in decades, by the middles of their spans.
middle <- function(name) (as.numeric(take[[paste0(name, "_earliest")]]) +
                            as.numeric(take[[paste0(name, "_latest")]])) / 2 / 3652.425
take$born <- middle("born")
take$recorded_at <- middle("recorded")
rows <- take[!is.na(take$born) & !is.na(take$recorded_at) & !is.na(take$player_id), ]
players <- unique(rows$player_id)
if (length(players) >= 8 && length(unique(rows$born)) > 1 && length(unique(rows$recorded_at)) > 1) {
  fit <- glm(slid_transitions ~ born + recorded_at + offset(log(transitions)), family = poisson(), data = rows)
  x <- model.matrix(fit)
  mu <- fitted(fit)
  bread <- solve(crossprod(x * sqrt(mu)))
  meat <- 0
  for (one in players) {
    own <- which(rows$player_id == one)
    w <- sqrt(mu[own])
    hat <- (x[own, , drop = FALSE] * w) %*% bread %*% t(x[own, , drop = FALSE] * w)
    left <- solve(diag(length(own)) - hat, (rows$slid_transitions[own] - mu[own]) / w)
    meat <- meat + tcrossprod(crossprod(x[own, , drop = FALSE] * w, left))
  }
  error <- sqrt(diag(bread %*% meat %*% bread))
  names_of <- c(born = "a decade later born", recorded_at = "a decade later recorded")
  for (name in names(names_of)) {
    result <- rbind(result, row_of("birth and recording", names_of[[name]], coef(fit)[[name]], error[[name]],
                                   length(players) - 1))
  }
}

# Schools, by their players.
share <- read_table("school_share")
share <- share[share$school_id != "unplaced" & !is.na(share$player_id), ]
sums <- aggregate(cbind(slid_transitions, transitions) ~ player_id, data = take, FUN = sum)
for (scheme in sort(unique(as.character(share$scheme)))) {
  of <- share[share$scheme == scheme, ]
  schools <- sort(unique(as.character(of$school_id)))
  if (length(schools) < 2) next
  for (pair in combn(schools, 2, simplify = FALSE)) {
    # Players of one school only, as much of them as belongs to it.
    groups <- lapply(pair, function(school) {
      own <- of[of$school_id == school, ]
      own <- own[!own$player_id %in% of$player_id[of$school_id %in% setdiff(pair, school)], ]
      group <- merge(sums, own[, c("player_id", "share")])
      data.frame(slid_transitions = group$slid_transitions * group$share, transitions = group$transitions * group$share)
    })
    # Fewer slides: the view sums over a grid of spreads, which is more than a script.
    if (min(sapply(groups, nrow)) < 4 || min(sapply(groups, function(g) mean(g$slid_transitions))) < 10) next
    logs <- lapply(groups, function(g) log((g$slid_transitions + 0.5) / g$transitions))
    test <- t.test(logs[[1]], logs[[2]])
    result <- rbind(result, data.frame(
      model = "schools", term = paste(pair[1], "over", pair[2]), ratio = exp(mean(logs[[1]]) - mean(logs[[2]])),
      low = exp(test$conf.int[1]), high = exp(test$conf.int[2]), p = test$p.value))
  }
}
write.csv(result, stdout(), row.names = FALSE, quote = FALSE, na = "")
